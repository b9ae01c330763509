package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"ridewitness/safety"
	"ridewitness/safety/review"
)

type reviewOptions struct {
	known  knownFlags
	format string
	output string
	ask    []string
}

func newReviewCommand(a *App) *cobra.Command {
	var o reviewOptions
	cmd := &cobra.Command{
		Use:     "review FILE",
		GroupID: groupAfter,
		Short:   "Judge a session by the rules, find leaks and causes of sag",
		Long: `Judge a session by the safety rules: who was lowered on what, what could not be told and why,
each line with its packets. Definitions and job card are those in the session, or the ones given.
FILE may be - for a pcapng stream on standard input.

Ends with 0 when nothing was found, 3 with a warning, 4 when nothing can be told.`,
		Args:              exactly("FILE"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.review(cmd.Context(), args[0], o)
		},
	}
	o.known.bind(cmd.Flags())
	formatFlag(cmd.Flags(), &o.format, "text", "json", "html")
	cmd.Flags().StringVar(&o.output, "output", "", "write to this file in place of standard output")
	cmd.Flags().StringArrayVar(&o.ask, "ask", nil, "a rule that you want an answer to; may be repeated")
	return cmd
}

func (a *App) review(ctx context.Context, path string, o reviewOptions) error {
	if err := checkFormat(o.format, "text", "json", "html"); err != nil {
		return err
	}
	for _, name := range o.ask {
		if safety.RuleByName(name) == nil {
			return usage("'ridewitness help rules' lists them", "--ask: %q is not a rule", name)
		}
	}
	if err := mayWrite(o.output); err != nil {
		return err
	}
	r, err := a.judge(ctx, path, o.known, o.ask)
	if err != nil {
		return err
	}
	err = a.writeTo(o.output, func(w io.Writer) error { return a.writeReview(w, o.format, r) })
	if err != nil {
		return err
	}
	return ended(r)
}

// judge reads a session to its end and reviews it.
func (a *App) judge(ctx context.Context, path string, flags knownFlags, ask []string) (*review.Review, error) {
	o, err := a.open(ctx, path)
	if err != nil {
		return nil, err
	}
	defer o.close()
	k, err := flags.load(o.record)
	if err != nil {
		return nil, err
	}
	if len(k.signals) == 0 {
		fmt.Fprintln(a.Err, "ridewitness: no signal definitions, so nothing can be told of pressures and heights\n"+
			"hint: give --signals j1939 or a file of your own; 'ridewitness look "+path+"' says what is in the session")
	}
	r, err := review.Run(ctx, review.Input{Source: o.source, File: o.name, Signals: k.signals, Card: k.card, CardName: k.cardName(),
		Ask: ask, Definitions: k.names(), Replaced: k.replaced, Integrity: o.integrity, Progress: a.progress()})
	a.progressDone()
	if err != nil {
		return nil, a.readError(err)
	}
	return r, nil
}

// writeReview writes a review in a format; text as wide as the terminal.
func (a *App) writeReview(w io.Writer, format string, r *review.Review) error {
	if format == "text" {
		return review.WriteText(w, r, a.Width)
	}
	for _, f := range review.Formats {
		if f.Name == format {
			return f.Write(w, r)
		}
	}
	return usage("text, json or html", "%q is not a format", format)
}

// ended turns an outcome into the way the command ends.
func ended(r *review.Review) error {
	if status := r.Exit(); status != exitDone {
		return verdict(status)
	}
	return nil
}
