package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/replay/live"
	"ridewitness/safety"
)

type markOptions struct {
	corner, value, at, note, by string
}

func newMarkCommand(a *App) *cobra.Command {
	var o markOptions
	cmd := &cobra.Command{
		Use:     "mark FILE NAME",
		GroupID: groupDuring,
		Short:   "Add a mark or a reading to a running or finished session",
		Long: `Add a mark to a session. While it is being recorded, by the same user on this computer, the recorder
takes it. In a finished one it goes to the end of the file as a sealed section of its own, and nothing that
is there is changed. 'ridewitness help marks' lists the names; a name of your own is a note.`,
		Args:              exactly("FILE", "NAME"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.mark(cmd.Context(), args[0], args[1], o)
		},
	}
	cmd.Flags().StringVar(&o.corner, "corner", "", "front-left, front-right, rear-left or rear-right")
	cmd.Flags().StringVar(&o.value, "value", "", "what was read, with its unit: '391 mm'")
	cmd.Flags().StringVar(&o.at, "at", "", "when it was, RFC 3339 with its offset; without it now")
	cmd.Flags().StringVar(&o.note, "note", "", "a remark")
	cmd.Flags().StringVar(&o.by, "by", "", "who says so")
	return cmd
}

func (a *App) mark(ctx context.Context, path, name string, o markOptions) error {
	if _, ok := decode.ParseCorner(o.corner); !ok {
		return usage("front-left, front-right, rear-left or rear-right", "--corner: %q is no corner", o.corner)
	}
	if name == "" || strings.ContainsAny(name, " \t\n") {
		return usage("'ridewitness help marks' lists the names", "%q is no name of a mark", name)
	}
	at := capture.Stamp(0) // now
	if o.at != "" {
		var err error
		if at, err = document.ParseTime(o.at); err != nil {
			return usage("such as 2026-03-02T09:14:05Z", "--at: %w", err)
		}
	}
	if o.value == "" {
		for _, m := range safety.MarkKinds {
			if m.Name == name && m.Value != "" {
				return usage("such as --value '"+m.Value+"'", "%s needs a --value", name)
			}
		}
	}
	record := session.MarkRecord{Kind: session.KindMark, Name: name, Corner: o.corner, Value: o.value, Note: o.note, By: o.by}
	if err := safety.CheckMark(at, record.Name, record.Corner, record.Value); err != nil {
		return usage("'ridewitness help marks' says what each mark holds", "%w", err)
	}
	if err := aFile(path); err != nil {
		return err
	}
	number, at, err := a.addRecord(ctx, path, at, record)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.Out, "J%d: %s at %s\n", number, strings.TrimSpace(name+" "+o.corner+" "+o.value), at.Time().Format(time.RFC3339))
	return err
}

// addRecord puts a record into a session: at the end of one that is finished, else by way of its
// recorder. At 0 is now. It returns the record's number and its time.
func (a *App) addRecord(ctx context.Context, path string, at capture.Stamp, record any) (uint64, capture.Stamp, error) {
	then := at
	if then == 0 {
		then = capture.StampOf(a.Now())
	}
	numbers, err := session.Append(path, session.Addition{At: then, Record: record})
	if err == nil {
		return numbers[0], then, nil
	}
	if !errors.Is(err, session.ErrBusy) && !errors.Is(err, session.ErrNotEnded) {
		return 0, 0, a.fileError(err)
	}
	number, then, asked := live.Tell(ctx, path, at, record)
	switch {
	case asked == nil:
		return number, then, nil
	case errors.Is(err, session.ErrBusy) || !errors.Is(asked, live.ErrNobody):
		return 0, 0, unreadable(fmt.Errorf("%s is being written, and %w", path, asked), "set it where the recording is made")
	default:
		return 0, 0, a.fileError(err)
	}
}
