package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"ridewitness/capture/session"
)

func newVerifyCommand(a *App) *cobra.Command {
	var format string
	cmd := &cobra.Command{
		Use:     "verify FILE",
		GroupID: groupFile,
		Short:   "Prove that nobody altered a session, or say from where on",
		Long: `Check the seals of a session. A seal without a key proves nothing against the file's owner.

Ends with 0 when it is sealed, 3 when it was altered, 4 when it is unsealed or cut short.`,
		Args:              exactly("FILE"),
		ValidArgsFunction: fileNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.verify(cmd.Context(), args[0], format)
		},
	}
	formatFlag(cmd.Flags(), &format, "text", "json")
	return cmd
}

func (a *App) verify(ctx context.Context, path, format string) error {
	if err := checkFormat(format, "text", "json"); err != nil {
		return err
	}
	o, err := a.open(ctx, path)
	if err != nil {
		return err
	}
	defer o.close()
	var facts session.Facts
	if err := a.each(ctx, o.source, facts.Observe); err != nil {
		return err
	}
	i := o.integrity()
	if format == "json" {
		err = writeVerifyJSON(a.Out, path, &facts, i)
	} else {
		err = writeVerifyText(a.Out, path, &facts, i)
	}
	if err != nil {
		return err
	}
	switch i.Verdict {
	case session.Sealed:
		return nil
	case session.Altered:
		return verdict(exitWarning)
	default:
		return verdict(exitCannotTell)
	}
}

func writeVerifyText(w io.Writer, path string, f *session.Facts, i session.Integrity) error {
	text := fmt.Sprintf("%s: %s\n", path, i.Verdict)
	switch i.Verdict {
	case session.Sealed:
		text += fmt.Sprintf("  All %d seals fit; every byte is as it was written.\n", i.Seals) +
			"  A seal without a key proves nothing against the file's owner.\n"
	case session.Unsealed:
		text += "  It has no seal: nothing proves it, and nothing speaks against it.\n"
	default:
		text += fmt.Sprintf("  %s.\n", i.Why)
		if i.Proven.Offset > 0 {
			text += fmt.Sprintf("  Proven up to byte %d, packet %d, %s.\n", i.Proven.Offset, i.Proven.Packet, i.Proven.At)
		} else {
			text += "  Nothing of it is proven.\n"
		}
		text += "  'ridewitness mend " + path + " --output CLEAN.pcapng' saves what is still good.\n"
	}
	if m := f.Mended(); m != nil {
		text += "  Mended from a file that was " + m.Integrity + ": what could not be kept of it is missing.\n"
	}
	text += fmt.Sprintf("  %d frames, origin %s\n", f.Frames(), f.Origin())
	_, err := io.WriteString(w, text)
	return err
}

// verifyFacts is the JSON form: schema ridewitness/verify/1.
type verifyFacts struct {
	Schema    string       `json:"schema"`
	File      string       `json:"file"`
	Integrity string       `json:"integrity"`
	Why       string       `json:"why,omitempty"`
	Seals     int          `json:"seals"`
	Sections  int          `json:"sections"`
	Frames    uint64       `json:"frames"`
	Origin    string       `json:"origin"`
	From      *verifyPlace `json:"from"`   // from here on nothing is proven
	Proven    *verifyPlace `json:"proven"` // up to here
}

type verifyPlace struct {
	Byte   int64  `json:"byte"`
	Time   string `json:"time,omitempty"`
	Packet uint64 `json:"packet"`
}

func placeOf(p session.Place) *verifyPlace {
	out := &verifyPlace{Byte: p.Offset, Packet: p.Packet}
	if p.At != 0 {
		out.Time = p.At.String()
	}
	return out
}

func writeVerifyJSON(w io.Writer, path string, f *session.Facts, i session.Integrity) error {
	v := verifyFacts{Schema: "ridewitness/verify/1", File: path, Integrity: i.Verdict.String(), Why: i.Why, Seals: i.Seals,
		Sections: i.Sections, Frames: f.Frames(), Origin: f.Origin()}
	if i.Verdict == session.Altered || i.Verdict == session.CutShort {
		v.From = placeOf(i.From)
	}
	if i.Proven.Offset > 0 {
		v.Proven = placeOf(i.Proven)
	}
	return writeJSON(w, v)
}

// writeJSON writes a value the way every command does.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(v)
}
