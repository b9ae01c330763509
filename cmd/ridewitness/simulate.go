package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/replay/scenario"
)

type simulateOptions struct {
	seed   uint64
	count  int
	output string
	list   bool
}

func newSimulateCommand(a *App) *cobra.Command {
	var o simulateOptions
	cmd := &cobra.Command{
		Use:     "simulate SCENARIO",
		GroupID: groupClass,
		Short:   "Make a session with a fault of your choice: a built-in name or a YAML file",
		Long: `Simulate a spring job on an invented vehicle and write it as a session. The same scenario and seed
give the same bytes. The truth of what happened goes into the file; reviews never read it. --count 20
makes a set for a class: twenty vehicles, seed by seed.

Built in: ` + strings.Join(scenario.Names(), ", ") + `.`,
		Args: exactly("SCENARIO"),
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			return scenario.Names(), cobra.ShellCompDirectiveDefault
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.simulate(cmd.Context(), args[0], o)
		},
	}
	cmd.Flags().Uint64Var(&o.seed, "seed", 1, "another seed gives another vehicle of the same kind")
	cmd.Flags().IntVar(&o.count, "count", 1, "how many sessions, each with the next seed")
	cmd.Flags().StringVar(&o.output, "output", "", "the session file; without it SCENARIO-SEED.pcapng")
	cmd.Flags().BoolVar(&o.list, "show", false, "print the scenario file in place of running it")
	return cmd
}

// loadScenario returns a built-in scenario or the one in a file.
func loadScenario(name string) (*scenario.Scenario, error) {
	s, err := scenario.Builtin(name)
	if err == nil {
		return s, nil
	}
	text, ferr := os.ReadFile(name)
	if ferr != nil {
		return nil, usage("built in are "+strings.Join(scenario.Names(), ", "), "%q is neither a built-in scenario nor a file", name)
	}
	s, err = scenario.Load(name, string(text))
	return s, unreadable(err, "")
}

func (a *App) simulate(ctx context.Context, name string, o simulateOptions) error {
	if o.list {
		text, err := scenario.Text(name)
		if err != nil {
			return usage("built in are "+strings.Join(scenario.Names(), ", "), "%q is not a built-in scenario", name)
		}
		_, err = io.WriteString(a.Out, text)
		return err
	}
	s, err := loadScenario(name)
	if err != nil {
		return err
	}
	switch {
	case o.count < 1 || o.count > mostSessions:
		return usage("from 1 to "+strconv.Itoa(mostSessions), "--count: %d is out of reach", o.count)
	case o.count > 1 && o.output != "":
		return usage("leave --output out: the files are named SCENARIO-SEED.pcapng", "--output names one file, and --count asks for %d", o.count)
	}
	for i := range o.count {
		if err := a.simulateOne(ctx, s, name, o.output, o.seed+uint64(i)); err != nil {
			return err
		}
	}
	said := ""
	for _, f := range s.Faults() {
		said += fmt.Sprintf("  fault: %s\n", f)
	}
	_, err = io.WriteString(a.Out, said)
	return err
}

// mostSessions bounds a set for a class, and what a slip of the finger costs.
const mostSessions = 100

// simulateOne writes the session of one seed.
func (a *App) simulateOne(ctx context.Context, s *scenario.Scenario, name, output string, seed uint64) error {
	if output == "" {
		base := strings.TrimSuffix(strings.TrimSuffix(name[strings.LastIndexAny(name, `/\`)+1:], ".yaml"), ".yml")
		output = fmt.Sprintf("%s-%d.pcapng", base, seed)
	}
	var length time.Duration
	var frames uint64
	err := a.writeTo(output, func(w io.Writer) (err error) {
		length, frames, err = recordScenario(ctx, w, s, name, seed)
		return err
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.Out, "%s: %s, %d frames, simulated\n", output, length.Round(time.Second), frames)
	return err
}

// sealEvery is how often a simulated session is sealed, in its own time.
const sealEvery = 10 * time.Second

// recordScenario writes a run of a scenario as a session.
func recordScenario(ctx context.Context, w io.Writer, s *scenario.Scenario, name string, seed uint64) (time.Duration, uint64, error) {
	run, err := s.Open(seed)
	if err != nil {
		return 0, 0, err
	}
	out, err := session.NewWriter(plainFile{w}, s.Start(), scenarioRecord(s, name, seed))
	if err != nil {
		return 0, 0, err
	}
	var frames uint64
	last, sealed := s.Start(), s.Start()
	batch := capture.NewBatch()
	for {
		err := run.Next(ctx, batch)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return 0, 0, err
		}
		if err := out.Write(batch); err != nil {
			return 0, 0, err
		}
		frames += uint64(len(batch.Frames))
		if n := len(batch.Frames); n > 0 {
			last = batch.Frames[n-1].At
		}
		if last.Sub(sealed) >= sealEvery {
			sealed = last
			if err := out.Seal(last); err != nil {
				return 0, 0, err
			}
		}
	}
	return last.Sub(s.Start()), frames, out.End(last)
}

// scenarioRecord is the session record of a simulated session.
func scenarioRecord(s *scenario.Scenario, name string, seed uint64) session.SessionRecord {
	card := session.NewText("wagon.jobcard.yaml", []byte(s.Card()))
	return session.SessionRecord{Origin: scenario.Origin, Program: "ridewitness", Scenario: filepath.Base(name), Seed: seed, Card: &card,
		Definitions: []session.Text{session.NewText("wagon.yaml", []byte(s.Definitions()))}}
}

// plainFile lets a session be written where syncing and closing is somebody else's work.
type plainFile struct{ io.Writer }

// Sync implements session.File.
func (plainFile) Sync() error { return nil }

// Close implements session.File.
func (plainFile) Close() error { return nil }
