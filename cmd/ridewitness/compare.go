package main

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"ridewitness/safety/review"
)

type compareOptions struct {
	known  knownFlags
	format string
	output string
}

func newCompareCommand(a *App) *cobra.Command {
	var o compareOptions
	cmd := &cobra.Command{
		Use:     "compare A B",
		GroupID: groupAfter,
		Short:   "Set two sessions of one vehicle side by side, stage by stage",
		Long: `Set two sessions of one vehicle side by side: what differs stage by stage and corner by corner, what
that means, and why the vehicle sank between them. Sessions of other vehicles, or with other
definitions, are refused.

Ends with 0 when they were compared, 4 when they can't be.`,
		Args:              exactly("A", "B"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.compare(cmd.Context(), args[0], args[1], o)
		},
	}
	o.known.bind(cmd.Flags())
	formatFlag(cmd.Flags(), &o.format, "text", "json", "html")
	cmd.Flags().StringVar(&o.output, "output", "", "write to this file in place of standard output")
	return cmd
}

func (a *App) compare(ctx context.Context, first, second string, o compareOptions) error {
	if err := checkFormat(o.format, "text", "json", "html"); err != nil {
		return err
	}
	if err := mayWrite(o.output); err != nil {
		return err
	}
	one, err := a.judge(ctx, first, o.known, nil)
	if err != nil {
		return err
	}
	two, err := a.judge(ctx, second, o.known, nil)
	if err != nil {
		return err
	}
	c := review.Compare(one, two)
	err = a.writeTo(o.output, func(w io.Writer) error {
		switch o.format {
		case "json":
			return writeJSON(w, c)
		case "html":
			return review.WriteCompareHTML(w, c)
		default:
			return review.WriteCompareText(w, c, a.Width)
		}
	})
	if err != nil {
		return err
	}
	if !c.Comparable {
		return verdict(exitCannotTell)
	}
	return nil
}
