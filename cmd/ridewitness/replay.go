package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/replay"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

type replayOptions struct {
	known    knownFlags
	speed    float64
	from, to string
	repeat   bool
	paused   bool
	plain    bool
	gap      time.Duration
	onto     ontoFlags
}

func newReplayCommand(a *App) *cobra.Command {
	var o replayOptions
	cmd := &cobra.Command{
		Use:     "replay FILE",
		GroupID: groupClass,
		Short:   "Play a session in the terminal or onto a virtual bus, at any speed",
		Long: `Play a session in the terminal with its recorded spacing: the four corners, the stage, and what the
rules say at each moment. No vehicle moves, and nothing is sent without --onto. Keys: SPACE pause, + and -
speed, N next stage, F next finding, Q quit. The verdict does not depend on the speed.

--from and --to take a time into the session (00:12:30), a mark (going-down) or a rule
(lowered-without-pressure).

--onto can0=vcan0 sends the frames of bus can0 onto the link vcan0 in place of showing them. The kernel is
asked what the link is: only the kinds vcan and vxcan are sent on, and only where no rule of the CAN gateway
forwards them. It is asked again before the start and every second. Nothing changes that.`,
		Args:              exactly("FILE"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.replay(cmd.Context(), args[0], o)
		},
	}
	o.known.bind(cmd.Flags())
	flags := cmd.Flags()
	flags.Float64Var(&o.speed, "speed", 1, "from 0.1 to 1000; 0 is as fast as it goes")
	flags.StringVar(&o.from, "from", "", "begin at this time, mark or finding")
	flags.StringVar(&o.to, "to", "", "end at this time, mark or finding")
	flags.BoolVar(&o.repeat, "repeat", false, "begin again at the end")
	flags.BoolVar(&o.paused, "paused", false, "begin paused")
	flags.BoolVar(&o.plain, "plain", false, "one sentence a line, for readers of lines")
	flags.DurationVar(&o.gap, "gap", 0, "run through a silence longer than this in three seconds; 0 waits")
	o.onto.bind(flags)
	return cmd
}

func (a *App) replay(ctx context.Context, path string, o replayOptions) error {
	if o.speed != replay.AsFastAsItGoes && (o.speed < replay.Slowest || o.speed > replay.Fastest) {
		return usage("from 0.1 to 1000, or 0 for as fast as it goes", "--speed: %g is out of reach", o.speed)
	}
	if err := o.check(); err != nil {
		return err
	}
	if o.onto.given() {
		return a.replayOnto(ctx, path, o)
	}
	in, out := fileOf(a.In), fileOf(a.Out)
	if path == "-" || in == nil || out == nil {
		return usage("give the name of a file", "a replay reads its session more than once, so it can't come from a pipe")
	}
	s, err := a.open(ctx, path, session.WithoutDigest())
	if err != nil {
		return err
	}
	k, err := o.known.load(s.record)
	if err != nil {
		s.close()
		return err
	}
	pipeline := func() (*safety.Pipeline, error) { return safety.NewPipeline(k.signals, k.card, nil) }
	first, err := pipeline()
	if err != nil {
		s.close()
		return unreadable(err, "")
	}
	survey, err := replay.Look(ctx, s.source, first)
	s.close()
	if err != nil {
		return a.readError(err)
	}
	show := terminal.Show{
		Open:     func() (capture.Source, error) { return session.Open(path, session.WithoutDigest()) },
		Pipeline: pipeline,
		Terminal: terminal.Detect(in, out, os.Getenv, o.plain),
		Facts:    replayFacts(s.record, k, &survey),
		Survey:   &survey,
		Speed:    o.speed, Paused: o.paused, Repeat: o.repeat, Hold: true,
	}
	if o.gap > 0 {
		show.Gaps = replay.Gaps{Longer: o.gap, Take: 3 * time.Second}
	}
	if show.From, err = moment(&survey, "--from", o.from); err != nil {
		return err
	}
	if show.To, err = moment(&survey, "--to", o.to); err != nil {
		return err
	}
	if _, err = show.Play(ctx); err != nil {
		return err
	}
	_, err = fmt.Fprintln(a.Out, show.Lateness)
	return err
}

// moment finds a moment that a flag names, 0 where it names none.
func moment(survey *replay.Survey, flag, text string) (capture.Stamp, error) {
	if text == "" {
		return 0, nil
	}
	at, err := survey.Find(text)
	if err != nil {
		return 0, usage("a time into the session such as 00:12:30, a mark or a rule", "%s: %w", flag, err)
	}
	return at, nil
}

func replayFacts(record *session.SessionRecord, k *known, survey *replay.Survey) terminal.Facts {
	f := terminal.Facts{Mode: terminal.Replay, Origin: session.OriginUnknown, End: survey.End, Keys: terminal.ReplayKeys}
	if record != nil && record.Origin != "" {
		f.Origin = record.Origin
	}
	if k.card != nil {
		f.Label = k.card.Label
	}
	return f
}
