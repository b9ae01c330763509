package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/replay/live"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

type followOptions struct {
	known knownFlags
	plain bool
}

func newFollowCommand(a *App) *cobra.Command {
	var o followOptions
	cmd := &cobra.Command{
		Use:     "follow FILE",
		GroupID: groupDuring,
		Short:   "Show a session that is still being written, on another screen",
		Long: `Show what the recorder of FILE shows, from another terminal, also over a remote shell: the four corners,
what stands against lowering, and the warnings. It only watches: marks are set where the recording is made,
or by 'ridewitness mark'. When the recorder goes on in another file, so does the screen, and says in which.
When the recorder is gone, or the file is damaged, the screen says BLIND; Q ends the watching.`,
		Args:              exactly("FILE"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.follow(cmd.Context(), args[0], o)
		},
	}
	o.known.bind(cmd.Flags())
	cmd.Flags().BoolVar(&o.plain, "plain", false, "one sentence a line, for readers of lines")
	return cmd
}

func (a *App) follow(ctx context.Context, path string, o followOptions) error {
	head, err := a.open(ctx, path, session.WithoutDigest())
	if err != nil {
		return err
	}
	head.close()
	k, err := o.known.load(head.record)
	if err != nil {
		return err
	}
	pipe, err := safety.NewPipeline(k.signals, k.card, nil)
	if err != nil {
		return unreadable(err, "")
	}
	trail, err := live.OpenTrail(path)
	if err != nil {
		return unreadable(err, "")
	}
	defer func() { trail.Close() }() // it was only read
	watching, end := context.WithCancel(ctx)
	defer end()
	stream := live.NewStream(trail, head.start)
	facts := terminal.Facts{Mode: terminal.Live, Origin: originOf(head.record), Keys: terminal.WatchKeys, Zone: time.Local, Start: head.start}
	if k.card != nil {
		facts.Label = k.card.Label
	}
	desk := live.New(live.Options{Pipeline: pipe, Facts: facts, Terminal: a.terminal(o.plain), Now: stream.Now, Elsewhere: true, End: end,
		Watched: func() (string, string) { return trail.File(), trail.Waiting() }})
	if err := desk.Recall(watching, &behind{stream, trail}); err != nil {
		return a.followError(trail.File(), err)
	}
	err = desk.Run(watching, stream)
	if watching.Err() != nil && ctx.Err() == nil && errors.Is(err, context.Canceled) {
		return nil // somebody went
	}
	return a.followError(trail.File(), err)
}

// behind is what the files of a recording hold already.
type behind struct {
	stream *live.Stream
	trail  *live.Trail
}

// Next implements capture.Source.
func (b *behind) Next(ctx context.Context, into *capture.Batch) error {
	if b.trail.CaughtUp() {
		into.Reset()
		return io.EOF
	}
	return b.stream.Next(ctx, into)
}

// followError says what ended the watching, and where the recording may go on.
func (a *App) followError(path string, err error) error {
	switch {
	case errors.Is(err, live.ErrNotSeen):
		return unreadable(fmt.Errorf("%s: %w", path, err), "follow it as that user, or look for "+live.Numbered(path, 2))
	case errors.Is(err, session.ErrCutBack), errors.Is(err, session.ErrReplaced):
		return unreadable(err, "")
	case !errors.Is(err, session.ErrRecorderGone):
		var broken *session.FormatError
		if errors.As(err, &broken) && !errors.Is(err, session.ErrNotCapture) {
			return unreadable(err, "a file that is still written is not read behind damage; once it has ended, 'ridewitness review "+path+"' does")
		}
		return a.readError(err)
	}
	names := paths{first: path}
	if next := names.following(); next != "" {
		return unreadable(err, fmt.Sprintf("does it go on in %[1]s? 'ridewitness follow %[1]s'", next))
	}
	return unreadable(err, fmt.Sprintf("'ridewitness record --continue %s BUS' goes on with it, where it was made", path))
}

// following returns the last file that a recorder made behind the first one, "" where there is none.
func (p *paths) following() string {
	last := ""
	for n := 2; ; n++ {
		name := live.Numbered(p.first, n)
		if _, err := os.Lstat(name); err != nil {
			return last
		}
		last = name
	}
}
