package handover

import (
	"bytes"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/decode/signaldef"
	"ridewitness/replay/scenario"
	"ridewitness/safety/jobcard"
)



// The stories of these tests: an invented wagon on a lift whose rear-left spring is bled, and what hands
// did then. The job begins at 08:00:00; the wants below follow from reading the steps.
const (
	head = `version: 1
title: a job that is handed over
vehicle: demo wagon 7
start: 2026-05-11T08:00:00Z
traffic: {identifiers: 4, per_second: 10}
`
	up = head + `steps:
  - wait: 5 s
  - lift: {to: 900 mm, speed: 100 mm/s}
  - mark: {name: lift-up}
  - wait: 10 s
`
	bled = up + `  - bleed: {corner: rear-left, to: 1 bar}
  - wait: 5 s
  - bleed: {corner: rear-left, to: 0.05 bar}
  - mark: {name: bled, corner: rear-left}
  - wait: 5 s
`
	open = bled + `  - mark: {name: line-open, corner: rear-left}
  - open_line: rear-left
  - wait: 5 s
`
	asleep = bled + `  - ignition: off
  - wait: 60 s
  - mark: {name: line-open, corner: rear-left}
  - wait: 2 min
  - mark: {name: note, note: gone home}
`
)

// short is the whole job of a quarter of an hour, on a quiet network, with what else the story has.
func short(t *testing.T, more string) string {
	t.Helper()
	text, err := scenario.Text("short")
	require.NoError(t, err)
	quiet := strings.Replace(text, "traffic: {identifiers: 42, per_second: 220}", "traffic: {identifiers: 4, per_second: 10}", 1)
	require.NotEqual(t, text, quiet)
	return quiet + more
}

// file is a session in memory.
type file struct {
	bytes []byte
	end   capture.Stamp // of its frames
}

var files sync.Map

// record simulates a story into a session. Without definitions the session holds none, and no card.
func record(t *testing.T, story string, definitions bool) file {
	t.Helper()
	type key struct {
		story       string
		definitions bool
	}
	if f, ok := files.Load(key{story, definitions}); ok {
		return f.(file)
	}
	s, err := scenario.Load("story", story)
	require.NoError(t, err)
	run, err := s.Open(1)
	require.NoError(t, err)
	first := session.SessionRecord{Origin: session.OriginSimulated}
	if definitions {
		card := session.NewText("card", []byte(s.Card()))
		first.Card, first.Definitions = &card, []session.Text{session.NewText("signals", []byte(s.Definitions()))}
	}
	var out memory
	w, err := session.NewWriter(&out, s.Start(), first)
	require.NoError(t, err)
	var f file
	b := capture.NewBatch()
	for err = run.Next(t.Context(), b); err == nil; err = run.Next(t.Context(), b) {
		require.NoError(t, w.Write(b))
		for i := range b.Frames {
			f.end = b.Frames[i].At
		}
		require.NoError(t, w.Seal(f.end))
	}
	require.ErrorIs(t, err, io.EOF)
	require.NoError(t, w.End(f.end))
	f.bytes = out.Bytes()
	files.Store(key{story, definitions}, f)
	return f
}

// foreign is a pcapng file with a bus of link type 227 and nothing else (IETF draft-ietf-opsawg-pcapng).
var foreign = []byte("\x0a\x0d\x0d\x0a\x1c\x00\x00\x00\x4d\x3c\x2b\x1a\x01\x00\x00\x00\xff\xff\xff\xff\xff\xff\xff\xff\x1c\x00\x00\x00" +
	"\x01\x00\x00\x00\x14\x00\x00\x00\xe3\x00\x00\x00\x00\x00\x00\x00\x14\x00\x00\x00")

// memory is a session.File in memory.
type memory struct{ bytes.Buffer }

func (*memory) Sync() error  { return nil }
func (*memory) Close() error { return nil }

// report reads a session and says what is open in it, half an hour after its last frame.
func report(t *testing.T, f file) *Report {
	t.Helper()
	r, err := read(t, f)
	require.NoError(t, err)
	return r
}

func read(t *testing.T, f file) (*Report, error) {
	t.Helper()
	look := session.NewReader(bytes.NewReader(f.bytes), "job.pcapng", session.WithoutDigest())
	b := capture.NewBatch()
	var known *session.SessionRecord
	if err := look.Next(t.Context(), b); err == nil {
		for i := range b.Events {
			if known == nil {
				known = session.ReadSession(&b.Events[i])
			}
		}
	}
	look.Close()
	var signals []decode.Signal
	var card *jobcard.Card
	var err error
	if known != nil && known.Card != nil {
		signals, err = signaldef.Load("signals", []byte(known.Definitions[0].Text))
		require.NoError(t, err)
		card, err = jobcard.Load("card", []byte(known.Card.Text))
		require.NoError(t, err)
	}
	source := session.NewReader(bytes.NewReader(f.bytes), "job.pcapng")
	defer source.Close()
	return Run(t.Context(), Input{Source: source, File: "job.pcapng", Signals: signals, Card: card, Integrity: source.Integrity,
		Now: f.end.Time().Add(30 * time.Minute)})
}

// add adds records to a session, as is done afterwards.
func add(t *testing.T, f file, additions ...session.Addition) file {
	t.Helper()
	path := filepath.Join(t.TempDir(), "job.pcapng")
	require.NoError(t, os.WriteFile(path, f.bytes, 0o644))
	_, err := session.Append(path, additions...)
	require.NoError(t, err)
	f.bytes, err = os.ReadFile(path)
	require.NoError(t, err)
	return f
}

func mark(f file, after time.Duration, name, corner string) session.Addition {
	return session.Addition{At: f.end.Add(after), Record: session.MarkRecord{Kind: session.KindMark, Name: name, Corner: corner, By: "K. Example"}}
}

// stories are the sessions that the tests look at.
func stories(t *testing.T) map[string]file {
	t.Helper()
	whole := record(t, short(t, ""), true)
	cut := whole
	cut.bytes = cut.bytes[:len(cut.bytes)-40]
	altered := whole
	altered.bytes = bytes.Clone(altered.bytes)
	altered.bytes[len(altered.bytes)/2] ^= 1
	lifted, opened, sleeping := record(t, up, true), record(t, open, true), record(t, asleep, true)
	refused := short(t, "faults:\n  - {kind: refused-request, corner: rear-right, from: {moment: filling}}\n")
	early := short(t, "faults:\n  - {kind: short-fill, corner: rear-right, size: 0.4 bar}\n")
	return map[string]file{
		"up":             lifted,
		"bled":           record(t, bled, true),
		"open":           opened,
		"asleep":         sleeping,
		"done":           whole,
		"refused":        record(t, refused, true),
		"early":          record(t, early, true),
		"cut":            cut,
		"altered":        altered,
		"no definitions": record(t, open, false),
		"said":           add(t, sleeping, mark(sleeping, time.Hour, "line-closed", "rear-left"), mark(sleeping, time.Hour, "filled", "rear-left")),
		"opened after":   add(t, lifted, mark(lifted, 26*time.Hour, "line-open", "rear-right")),
		"handed": add(t, opened, session.Addition{At: opened.end.Add(time.Minute), Record: session.HandoverRecord{
			Kind: session.KindHandover, To: "L. Example", By: "K. Example", Note: "ring on the bench"}}),
		"nothing": {bytes: foreign},
	}
}

func TestStories(t *testing.T) {
	all := stories(t)
	for _, c := range []struct {
		name     string
		lowering Lowering
		says     []string // in the text, unwrapped
		not      []string
	}{
		{"up", NothingKnown,
			[]string{"No warning now. That is no proof: look at the lift.", "none is marked open; nobody sees a line", "hanging"},
			[]string{"Do not lower", "Cannot tell"}},
		{"bled", DoNotLower,
			[]string{"!! Do not lower: rear-left 0.", "least 1.00; bled 00:00:", "no filling seen since.", "WATCHING, 8 of 8 signals fresh", "sealed: every byte"},
			[]string{"No warning now"}},
		{"open", DoNotLower,
			[]string{"!! Do not lower: rear-left line marked open 00:00:", "line open rear-left", "(said, by mark)", "lines        rear-left line marked open",
				"bled         rear-left bled 00:00:", "line-open rear-left"},
			[]string{"No warning now"}},
		{"asleep", DoNotLower, // the recording outlived the buses by three minutes
			[]string{"rear-left line marked open 00:02:", "rear-right unseen since", "Cannot tell: blind, no frame on any bus 3:", "?? BLIND ??", "gone home"},
			[]string{"No warning now"}},
		{"done", NothingKnown,
			[]string{"No warning now. That is no proof: look at the lift.", "standing", "warnings     none; ", "answers of the rules could not be told"},
			[]string{"Do not lower", "Cannot tell"}},
		{"refused", CannotTell, // it was filled in the end, by levelling
			[]string{"fill of rear-right: refused, 0x22 conditions not correct", "DANGER rear-right came down on an empty spring", "Cannot tell: there was danger ("},
			[]string{"No warning now"}},
		{"early", CannotTell,
			[]string{"DANGER rear-right came down on an empty spring: 0.4", "Look at them."},
			[]string{"No warning now"}},
		{"cut", CannotTell,
			[]string{"record: cut-short: ", "Cannot tell: the file has no end, so it was cut short or is still being written; what was recorded later is missing."},
			[]string{"No warning now", "sealed: every byte"}},
		{"altered", CannotTell,
			[]string{"record: altered: ", "Cannot tell: the file was altered after it was sealed"},
			[]string{"No warning now", "sealed: every byte"}},
		{"no definitions", DoNotLower, // known by marks alone
			[]string{"Do not lower: rear-left line marked open 00:00:", "Cannot tell: blind, no definition matches. Look at the lift."},
			[]string{"No warning now"}},
		{"said", DoNotLower, // the other corners fell asleep unseen
			[]string{"Said, not seen: rear-left is filled (K. Example, ", "bled         rear-left bled 00:00:", "no filling seen since"},
			[]string{"No warning now", "line marked open"}},
		{"opened after", DoNotLower, // pressures stay those of the end, the mark of the day after counts
			[]string{"Do not lower: rear-right line marked open 26:00:", "WATCHING, 8 of 8 signals fresh", "2026-05-12 10:00:"},
			[]string{"No warning now", "unseen"}},
		{"handed", DoNotLower,
			[]string{"handover     handed over to L. Example by K. Example, 2026-05-11 08:0", ": ring on the bench (J"},
			[]string{"No warning now"}},
		{"nothing", CannotTell,
			[]string{"origin UNKNOWN", "Cannot tell: blind, no frame yet. Look at the lift.", "There is no frame in the file.", "At its end, time unknown:"},
			[]string{"No warning now"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := report(t, all[c.name])
			text := r.Text(10_000)
			require.Equal(t, c.lowering, r.Lowering, text)
			for _, s := range append(c.says, "What happened after its end is unknown.", "Witness, not an interlock") {
				require.Contains(t, text, s)
			}
			for _, s := range c.not {
				require.NotContains(t, text, s)
			}
			delete(all, c.name)
		})
	}
	require.Empty(t, slices.Collect(maps.Keys(all)), "each story has its case")
}
