package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/decode/signaldef"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
)

// opened is a session that is being read: a file, or a stream on standard input.
type opened struct {
	name      string
	source    capture.Source
	record    *session.SessionRecord // at its head; nil where it has none
	start     capture.Stamp          // of what comes first, 0 where there is nothing
	integrity func() session.Integrity
	close     func() error
}

// open opens a session; "-" is standard input. The first batch is looked at for the session record
// and delivered again.
func (a *App) open(ctx context.Context, path string, options ...session.Option) (*opened, error) {
	o := &opened{name: path}
	var source capture.Source
	if path == "-" {
		r := session.NewReader(a.In, "standard input", options...)
		source, o.integrity, o.close = r, r.Integrity, func() error { r.Close(); return nil }
	} else {
		if err := aFile(path); err != nil {
			return nil, err
		}
		f, err := session.Open(path, options...)
		if err != nil {
			return nil, unreadable(err, "")
		}
		source, o.integrity, o.close = f, f.Integrity, f.Close
	}
	first := capture.NewBatch()
	switch err := source.Next(ctx, first); {
	case errors.Is(err, io.EOF):
	case err != nil:
		o.close()
		return nil, a.readError(err)
	}
	for i := range first.Events {
		if o.record = session.ReadSession(&first.Events[i]); o.record != nil {
			o.start = first.Events[i].At
			break
		}
	}
	if o.start == 0 && len(first.Frames) > 0 {
		o.start = first.Frames[0].At
	}
	o.source = &resumed{source: source, first: first}
	return o, nil
}

// aFile refuses what can't be read twice, or not at all: a stream, a folder, a file that is not there.
func aFile(path string) error {
	if path == "-" {
		return usage("save the stream to a file first", "this needs a file; standard input can be read once only")
	}
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return unreadable(err, "")
	case info.IsDir():
		return usage("name a session in it", "%s is a folder", path)
	}
	return nil
}

// originOf returns where the frames of a session come from, in a word; nil is a session without a
// record.
func originOf(record *session.SessionRecord) string {
	if record != nil {
		switch record.Origin {
		case session.OriginVehicle, session.OriginVirtual, session.OriginSimulated:
			return record.Origin
		}
	}
	return session.OriginUnknown
}

// fileError is readError for what works on a file in place: all that goes wrong there lies in the file
// or its name.
func (a *App) fileError(err error) error { return unreadable(a.readError(err), "") }

// readError says whose fault it is that a session can't be read.
func (a *App) readError(err error) error {
	var format *session.FormatError
	if errors.As(err, &format) {
		hint := "a session is a pcapng or pcap file of link type 227"
		switch {
		case errors.Is(err, session.ErrTextMode):
			hint = "copy the file again in binary mode"
		case errors.Is(err, session.ErrNotWhole), errors.Is(err, session.ErrNotEnded):
			hint = "'ridewitness mend' writes what is still good into a new file"
		case errors.Is(err, session.ErrBusy):
			hint = "wait until its recorder has ended, or give another name"
		}
		return unreadable(err, hint)
	}
	return err
}

// resumed delivers a batch that was read already, and then what follows.
type resumed struct {
	source capture.Source
	first  *capture.Batch
}

// Next implements capture.Source.
func (r *resumed) Next(ctx context.Context, into *capture.Batch) error {
	if r.first == nil {
		return r.source.Next(ctx, into)
	}
	into.Reset()
	if err := ctx.Err(); err != nil {
		return err
	}
	into.Frames = append(into.Frames, r.first.Frames...)
	into.Events = append(into.Events, r.first.Events...)
	r.first = nil
	if len(into.Frames) == 0 && len(into.Events) == 0 {
		return io.EOF
	}
	return nil
}

// known is what is known beside the frames: definitions and job card.
type known struct {
	signals     []decode.Signal
	definitions []session.Text // whole, to be written into a session
	replaced    []string
	card        *jobcard.Card
	cardText    *session.Text
}

// names returns the names of the definitions.
func (k *known) names() []string {
	var all []string
	for _, d := range k.definitions {
		all = append(all, d.Name)
	}
	return all
}

func (k *known) cardName() string {
	if k.cardText == nil {
		return ""
	}
	return k.cardText.Name
}

// knownFlags are --signals and --jobcard.
type knownFlags struct {
	signals []string
	card    string
}

func (f *knownFlags) bind(flags *pflag.FlagSet) {
	f.bindSignals(flags)
	flags.StringVar(&f.card, "jobcard", "", "job card (YAML); without it the one in the session")
}

func (f *knownFlags) bindSignals(flags *pflag.FlagSet) {
	flags.StringArrayVar(&f.signals, "signals", nil, "signal definitions: a YAML file, or j1939 or obd; may be repeated, a later one replaces; without it those in the session")
}

// load reads the definitions and the card that the flags name, or else those in the session.
func (f *knownFlags) load(record *session.SessionRecord) (*known, error) {
	k := &known{}
	if record == nil {
		record = &session.SessionRecord{}
	}
	if err := k.loadSignals(f.signals, record.Definitions); err != nil {
		return nil, unreadable(err, "'ridewitness help signals' explains the file")
	}
	if err := k.loadCard(f.card, record.Card); err != nil {
		return nil, unreadable(err, "'ridewitness help jobcard' explains the file")
	}
	return k, nil
}

func (k *known) loadSignals(names []string, inside []session.Text) error {
	if len(names) > 0 {
		inside = nil
		for _, name := range names {
			text, err := definitionText(name)
			if err != nil {
				return err
			}
			inside = append(inside, text)
		}
	}
	var sets [][]decode.Signal
	for _, d := range inside {
		set, err := signaldef.Load(d.Name, []byte(d.Text))
		if err != nil {
			return err
		}
		sets = append(sets, set)
	}
	if len(sets) == 0 {
		return nil
	}
	merged, replaced, err := signaldef.Merge(sets...)
	if err != nil {
		return err
	}
	k.signals, k.definitions = merged, inside
	for _, r := range replaced {
		k.replaced = append(k.replaced, r.String())
	}
	return nil
}

// definitionText returns the text of a definition file or of a built-in.
func definitionText(name string) (session.Text, error) {
	if text, ok := signaldef.BuiltinText(name); ok {
		return session.NewText(name, text), nil
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return session.Text{}, fmt.Errorf("%w; built in are j1939 and obd", plain(err))
	}
	return session.NewText(filepath.Base(name), text), nil
}

func (k *known) loadCard(path string, inside *session.Text) error {
	if path != "" {
		text, err := os.ReadFile(path)
		if err != nil {
			return plain(err)
		}
		t := session.NewText(filepath.Base(path), text)
		inside = &t
	}
	if inside == nil {
		return nil
	}
	card, err := jobcard.Load(inside.Name, []byte(inside.Text))
	if err != nil {
		return err
	}
	if err := card.CheckAsk(ruleNames()); err != nil {
		return err
	}
	k.card, k.cardText = card, inside
	return nil
}

func ruleNames() []string {
	var names []string
	for _, r := range safety.Rules {
		names = append(names, r.Name)
	}
	return names
}

// formatFlag is --format.
func formatFlag(flags *pflag.FlagSet, into *string, formats ...string) {
	flags.StringVar(into, "format", formats[0], oneOf(formats))
}

func oneOf(words []string) string {
	text := words[0]
	for i, w := range words[1:] {
		if i == len(words)-2 {
			text += " or " + w
		} else {
			text += ", " + w
		}
	}
	return text
}

func checkFormat(format string, formats ...string) error {
	for _, f := range formats {
		if f == format {
			return nil
		}
	}
	return usage(oneOf(formats), "%q is not a format", format)
}

// fileNames completes session files.
func fileNames(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
	if len(args) > 0 {
		return nil, cobra.ShellCompDirectiveDefault
	}
	return []string{"pcapng", "pcap"}, cobra.ShellCompDirectiveFilterFileExt
}
