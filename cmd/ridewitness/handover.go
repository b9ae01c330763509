package main

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"ridewitness/replay/handover"
)

type handoverOptions struct {
	known        knownFlags
	to, by, note string
	handed       bool // --to was given
	format       string
}

func newHandoverCommand(a *App) *cobra.Command {
	var o handoverOptions
	cmd := &cobra.Command{
		Use:     "handover FILE",
		GroupID: groupDuring,
		Short:   "Say what is still open and who takes over",
		Long: `Say in one page, for the one who takes over, what must not be lowered at the end of the session, which
lines are open, what was bled and not filled, what was refused, what nobody sees, and how old all of that
is. What happened after the end of the file, nobody knows.

With --to it is put on record who takes over and what was open then: at the end of a finished session, as a
sealed section of its own; in one that is being recorded, by its recorder. Without --to nothing is written.
FILE may be - for a pcapng stream on standard input, where nothing is put on record.

Ends with 0 whatever is open.`,
		Args:              exactly("FILE"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.handed = cmd.Flags().Changed("to")
			return a.handover(cmd.Context(), args[0], o)
		},
	}
	o.known.bind(cmd.Flags())
	flags := cmd.Flags()
	flags.StringVar(&o.to, "to", "", "who takes over; it goes on record")
	flags.StringVar(&o.by, "by", "", "who hands over")
	flags.StringVar(&o.note, "note", "", "a remark for the one who takes over")
	formatFlag(flags, &o.format, "text", "json")
	return cmd
}

// check refuses what means nothing together.
func (o *handoverOptions) check(path string) error {
	switch {
	case o.handed && o.to == "":
		return usage("give the name of the one who takes over", "--to is empty")
	case !o.handed && (o.by != "" || o.note != ""):
		return usage("say with --to who takes over", "--by and --note go on record, and without --to nothing does")
	case o.handed && path == "-":
		return aFile(path)
	}
	return checkFormat(o.format, "text", "json")
}

func (a *App) handover(ctx context.Context, path string, o handoverOptions) error {
	if err := o.check(path); err != nil {
		return err
	}
	r, err := a.whatIsOpen(ctx, path, o.known)
	if err != nil {
		return err
	}
	if o.handed {
		record := r.Journal(o.to, o.by, o.note)
		number, at, err := a.addRecord(ctx, path, 0, record)
		if err != nil {
			return err
		}
		r.Hand(record, at, number)
	}
	if o.format == "json" {
		return writeJSON(a.Out, r)
	}
	_, err = io.WriteString(a.Out, r.Text(a.Width))
	return err
}

// whatIsOpen reads a session to its end.
func (a *App) whatIsOpen(ctx context.Context, path string, flags knownFlags) (*handover.Report, error) {
	s, err := a.open(ctx, path)
	if err != nil {
		return nil, err
	}
	defer s.close()
	k, err := flags.load(s.record)
	if err != nil {
		return nil, err
	}
	r, err := handover.Run(ctx, handover.Input{Source: s.source, File: s.name, Signals: k.signals, Card: k.card,
		Integrity: s.integrity, Now: a.Now(), Progress: a.progress()})
	a.progressDone()
	return r, a.readError(err)
}
