package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode/signaldef"
	"ridewitness/replay/scenario"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
	"ridewitness/safety/review"
)

func newDemoCommand(a *App) *cobra.Command {
	return &cobra.Command{
		Use:     "demo",
		GroupID: groupStart,
		Short:   "Run a whole spring job without hardware and review it",
		Long: `Play a spring job on an invented vehicle in which the car comes down too early, judge it, and leave
the session and its report: demo-1.pcapng and demo-1.html, or the next number that is free. In a
terminal it lasts less than a minute.`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error { return a.demo(cmd.Context()) },
	}
}

// The demo plays this scenario, always the same way, in at most that time.
const (
	demoScenario = "early"
	demoSeed     = 1
	demoLasts    = 40 * time.Second
)

func (a *App) demo(ctx context.Context) error {
	s, err := scenario.Builtin(demoScenario)
	if err != nil {
		return err
	}
	names := freeNames("demo-%d.pcapng", "demo-%d.html")
	if names == nil {
		return usage("take some of them away", "every name from demo-1 on is taken")
	}
	file, page := names[0], names[1]
	err = a.writeTo(file, func(w io.Writer) error {
		_, _, err := recordScenario(ctx, w, s, demoScenario, demoSeed)
		return err
	})
	if err != nil {
		return err
	}
	k, err := demoKnown(s)
	if err != nil {
		return err
	}
	if err := a.playDemo(ctx, file, k); err != nil {
		return err
	}
	r, err := a.judge(ctx, file, knownFlags{}, nil)
	if err != nil {
		return err
	}
	if err := a.writeTo(page, func(w io.Writer) error { return a.writeReview(w, "html", r) }); err != nil {
		return err
	}
	return a.demoWords(r, file, page)
}

// demoKnown reads the definitions and the card of the scenario.
func demoKnown(s *scenario.Scenario) (*known, error) {
	k := &known{}
	var err error
	if k.signals, err = signaldef.Load("wagon.yaml", []byte(s.Definitions())); err != nil {
		return nil, err
	}
	k.card, err = jobcard.Load("wagon.jobcard.yaml", []byte(s.Card()))
	return k, err
}

// playDemo shows the job on a terminal; elsewhere there is nothing to show.
func (a *App) playDemo(ctx context.Context, file string, k *known) error {
	in, out := fileOf(a.In), fileOf(a.Out)
	if !a.Terminal || in == nil || out == nil {
		return nil
	}
	_, err := terminal.Demo(ctx, terminal.Show{
		Open: func() (capture.Source, error) { return session.Open(file, session.WithoutDigest()) },
		Pipeline: func() (*safety.Pipeline, error) {
			return safety.NewPipeline(k.signals, k.card, nil)
		},
		Terminal: terminal.Detect(in, out, os.Getenv, false),
		Facts:    terminal.Facts{Origin: session.OriginSimulated, Label: k.card.Label},
	}, demoLasts)
	return err
}

// fileOf returns the file behind a stream, nil where it is none.
func fileOf(stream any) *os.File {
	f, _ := stream.(*os.File)
	return f
}

// demoWords says in a few lines what happened, what could not be told, and what to try next.
func (a *App) demoWords(r *review.Review, file, page string) error {
	var b strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	say("%s is SIMULATED, not a vehicle.", file)
	packet := uint64(0)
	for i := range r.Findings {
		f := &r.Findings[i]
		if f.Outcome != safety.Broken.String() || f.Severity != safety.Danger.String() {
			continue
		}
		say("%s  %s.", sessionTime(r, f.From0), f.Summary)
		for _, e := range f.Evidence {
			if e.Frame > 0 && e.Value != nil {
				say("          %s was %.4g %s at %s, packet %d", e.Signal, *e.Value, e.Unit, sessionTime(r, e.At0), e.Frame)
				if packet == 0 {
					packet = e.Frame
				}
			}
		}
	}
	held, untold := 0, 0
	for i := range r.Findings {
		switch r.Findings[i].Outcome {
		case safety.Held.String():
			held++
		case safety.CannotTell.String():
			untold++
		}
	}
	say("Of the other answers %d show no breach and %d could not be told; the report says why.", held, untold)
	say("Left behind: %s, the session, and %s, the report.", file, page)
	say("Try next:    %s explain %s %d", calledAs(), file, packet)
	say("             %s review %s", calledAs(), file)
	say("\n%s", review.Caution)
	_, err := io.WriteString(a.Out, b.String())
	return err
}

// calledAs is how the user calls the program: 'go run' leaves none behind that could be called by name.
func calledAs() string {
	const name = "ridewitness"
	path, err := os.Executable()
	if err == nil && strings.Contains(path, "go-build") {
		return "go run ./cmd/" + name
	}
	return name
}

func sessionTime(r *review.Review, at capture.Stamp) string {
	s := int(at.Sub(r.Record.Start).Seconds())
	return fmt.Sprintf("%02d:%02d:%02d", s/3600, s/60%60, s%60)
}
