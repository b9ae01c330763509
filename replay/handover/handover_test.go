package handover

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/decode/signaldef"
	"ridewitness/decode/uds"
	"ridewitness/replay/scenario"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
)

var update = flag.Bool("update", false, "write the golden files anew")

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
	refusing = "faults:\n  - {kind: refused-request, corner: rear-right, from: {moment: filling}}\n"
	early    = "faults:\n  - {kind: short-fill, corner: rear-right, size: 0.4 bar}\n"
	asleep   = bled + `  - ignition: off
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
	return recordTo(t, story, definitions, time.Hour)
}

// recordTo stops the recording after so long.
func recordTo(t *testing.T, story string, definitions bool, stop time.Duration) file {
	t.Helper()
	type key struct {
		story       string
		definitions bool
		stop        time.Duration
	}
	if f, ok := files.Load(key{story, definitions, stop}); ok {
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
	for err = run.Next(t.Context(), b); err == nil && f.end.Sub(s.Start()) < stop; err = run.Next(t.Context(), b) {
		require.NoError(t, w.Write(b))
		for i := range b.Frames {
			f.end = b.Frames[i].At
		}
		require.NoError(t, w.Seal(f.end))
	}
	if err != nil {
		require.ErrorIs(t, err, io.EOF)
	}
	require.NoError(t, w.End(f.end))
	f.bytes = out.Bytes()
	files.Store(key{story, definitions, stop}, f)
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
	r, err := readAt(t, f, f.end.Time().Add(30*time.Minute))
	require.NoError(t, err)
	return r
}

func readAt(t *testing.T, f file, now time.Time) (*Report, error) {
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
		Now: now})
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

// stories are the sessions that the tests look at, each made when it is asked for.
var stories = map[string]func(*testing.T) file{
	"up":             func(t *testing.T) file { return record(t, up, true) },
	"bled":           func(t *testing.T) file { return record(t, bled, true) },
	"open":           func(t *testing.T) file { return record(t, open, true) },
	"asleep":         func(t *testing.T) file { return record(t, asleep, true) },
	"done":           func(t *testing.T) file { return record(t, short(t, ""), true) },
	"refused":        func(t *testing.T) file { return record(t, short(t, refusing), true) },
	"early":          func(t *testing.T) file { return record(t, short(t, early), true) },
	"coming down":    func(t *testing.T) file { return recordTo(t, short(t, early), true, 13*time.Minute+13*time.Second) },
	"no definitions": func(t *testing.T) file { return record(t, open, false) },
	"nothing":        func(*testing.T) file { return file{bytes: foreign} },
	"cut": func(t *testing.T) file {
		f := record(t, short(t, ""), true)
		f.bytes = f.bytes[:len(f.bytes)-40]
		return f
	},
	"altered": func(t *testing.T) file {
		f := record(t, short(t, ""), true)
		f.bytes = bytes.Clone(f.bytes)
		f.bytes[len(f.bytes)/2] ^= 1
		return f
	},
	"said": func(t *testing.T) file {
		f := record(t, asleep, true)
		return add(t, f, mark(f, time.Hour, "line-closed", "rear-left"), mark(f, time.Hour, "filled", "rear-left"))
	},
	"opened after": func(t *testing.T) file {
		f := record(t, up, true)
		return add(t, f, mark(f, 26*time.Hour, "line-open", "rear-right"))
	},
	"handed": func(t *testing.T) file {
		f := record(t, open, true)
		return add(t, f, session.Addition{At: f.end.Add(time.Minute), Record: session.HandoverRecord{
			Kind: session.KindHandover, To: "L. Example", By: "K. Example", Note: "ring on the bench"}})
	},
}

func TestStories(t *testing.T) {
	all := maps.Clone(stories)
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
		{"coming down", DoNotLower,
			[]string{"!! DANGER rear-right is coming down on an empty spring. Stop lowering.", "not over at the end", "lowering"},
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
			r := report(t, all[c.name](t))
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

// promise are words that a reader under a car could take for leave to go on.
var promise = regexp.MustCompile(`(?i)\b(safe|ok|ready|all clear|green)\b`)

// control are characters that could move a cursor or hide text; a line end may stand.
var control = regexp.MustCompile(`[\x00-\x09\x0b-\x1f\x7f\x{80}-\x{9f}\x{202a}-\x{202e}]`)

// Of every story: no promise, no line that is too wide, and text and JSON that say the same.
func TestTextAndJSON(t *testing.T) {
	for name, story := range stories {
		t.Run(name, func(t *testing.T) {
			r := report(t, story(t))
			body, err := json.Marshal(r)
			require.NoError(t, err)
			require.NotRegexp(t, promise, string(body))
			for _, columns := range []int{0, 40, 80, 200} {
				text := r.Text(columns)
				require.NotRegexp(t, promise, text)
				require.NotRegexp(t, control, text)
				for line := range strings.SplitSeq(text, "\n") {
					require.LessOrEqual(t, utf8.RuneCountInString(line), max(columns, 40))
				}
			}
			var told struct {
				Schema     string `json:"schema"`
				Lowering   string `json:"lowering"`
				NoWarning  string `json:"no_warning"`
				AfterEnd   string `json:"after_end"`
				Seen       string `json:"seen"`
				Stage      string `json:"stage"`
				Against    []string
				CannotTell []string `json:"cannot_tell"`
				Said       []string
				Lines      []string
				Bled       []string
				Open       []string
				Warnings   []struct{ Says string }
				Refused    []struct{ Says string }
				Marks      []struct{ Says string }
				Handovers  []struct{ To, By, Note string }
			}
			require.NoError(t, json.Unmarshal(body, &told))
			require.Equal(t, "ridewitness/handover/1", told.Schema)
			all := slices.Concat(told.Against, told.CannotTell, told.Said, told.Lines, told.Bled, []string{told.NoWarning, told.AfterEnd, told.Seen, told.Stage})
			for _, w := range slices.Concat(told.Warnings[:min(len(told.Warnings), shown)], told.Refused, told.Marks) {
				all = append(all, w.Says)
			}
			for _, h := range told.Handovers {
				all = append(all, h.To, h.By, h.Note)
			}
			wide := r.Text(10_000)
			for _, s := range all {
				require.Contains(t, wide, s)
			}
			for _, s := range slices.Concat(told.Against, told.CannotTell, told.Said, told.Bled) {
				require.Contains(t, told.Open, s, "the record keeps all that is open")
			}
			require.Equal(t, told.Lowering == "nothing-known", told.NoWarning != "")
			require.Equal(t, told.Lowering == "do-not-lower", len(told.Against) > 0)
		})
	}
}

// The pages as people read them. Each is read line by line when it changes.
func TestGolden(t *testing.T) {
	for _, name := range []string{"open", "done", "asleep", "refused"} {
		r := report(t, stories[name](t))
		golden(t, name+".txt", r.Text(80))
	}
	opened := report(t, stories["open"](t))
	record := opened.Journal("L. Example", "K. Example", "ring on the bench")
	opened.Hand(record, stories["open"](t).end.Add(time.Minute), 12)
	golden(t, "handed.txt", opened.Text(80))
	body, err := json.MarshalIndent(opened, "", " ")
	require.NoError(t, err)
	golden(t, "handed.json", string(body)+"\n")
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got, "-update writes it anew: read the diff")
}

// A handover fits on the screen of the terminal that stands beside the car, 24 rows and the prompt aside.
func TestOneScreen(t *testing.T) {
	for _, name := range []string{"bled", "open", "done", "asleep", "cut", "handed"} {
		text := report(t, stories[name](t)).Text(80)
		require.LessOrEqual(t, strings.Count(text, "\n"), 28, "%s\n%s", name, text)
	}
}

// A spring that was bled is told as long as nobody saw it filled, whatever else is said of its corner.
func TestHazard22BledIsHandedOver(t *testing.T) {
	for _, name := range []string{"bled", "open", "asleep", "said", "handed", "no definitions"} {
		r := report(t, stories[name](t))
		require.NotEqual(t, NothingKnown, r.Lowering, name)
		require.Len(t, r.Bled, 1, name)
		require.Regexp(t, `^rear-left bled 00:00:\d\d, no filling seen since\.$`, r.Bled[0], name)
		require.NotNil(t, r.Corners[2].Bled, name)
	}
	require.Empty(t, report(t, stories["done"](t)).Bled, "it was filled, and seen")
}

// A report is of the end of its session: it says how old that is, and that nothing is known of later.
func TestHazard22EndIsNoPresent(t *testing.T) {
	f := stories["bled"](t)
	for _, c := range []struct {
		name string
		now  time.Time
		want string
		ago  float64
	}{
		{"at once", f.end.Time(), "0 s ago by this machine's clock", 0},
		{"two minutes", f.end.Time().Add(119 * time.Second), "119 s ago", 119},
		{"a coffee", f.end.Time().Add(15 * time.Minute), "15 min ago", 900},
		{"a shift", f.end.Time().Add(8*time.Hour + 5*time.Minute), "8 h 5 min ago", 29100},
		{"a week", f.end.Time().Add(7 * 24 * time.Hour), "7 days ago", 604800},
		{"a clock that is behind", f.end.Time().Add(-time.Hour), "how long ago is not known", -1},
		{"no clock", time.Time{}, "how long ago is not known", -1},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := readAt(t, f, c.now)
			require.NoError(t, err)
			require.Contains(t, r.Text(10_000), c.want)
			require.Contains(t, r.Text(10_000), "What happened after its end is unknown.")
			if c.ago < 0 {
				require.Nil(t, r.AgoS)
			} else {
				require.InDelta(t, c.ago, *r.AgoS, 0.001)
			}
			require.InDelta(t, 0, *r.Corners[2].AgeS, 1, "pressures are as old as they were at its end")
		})
	}
}

// HAZARDS H22: a file that goes on from another does not know what was bled there, and says so first.
func TestHazard22APartSaysThatItIsOne(t *testing.T) {
	goesOn := session.DiskRecord{Kind: session.KindDisk, What: session.DiskFailed, File: "/media/stick/job.pcapng"}
	r := report(t, add(t, stories["bled"](t), session.Addition{Record: goesOn}))
	require.Equal(t, "job.pcapng", *r.Record.GoesOn)
	require.Equal(t, "Cannot tell: this goes on from job.pcapng, and what was bled or opened there is not known here: hand that over too.", r.CannotTell[0])
	require.Contains(t, strings.Join(strings.Fields(r.Text(10_000)), " "), r.CannotTell[0])
}

// What is refused and then granted is told apart from what stays refused.
func TestRefusedAndGranted(t *testing.T) {
	d := reading{}
	ask := func(stage string, stop bool, v uds.Verdict, corner decode.Corner) {
		d.happen(safety.Happening{Kind: safety.RequestMade, Request: &safety.Request{Stage: stage, Stop: stop, Verdict: v, Corners: []decode.Corner{corner}}})
	}
	ask("fill", false, uds.Refused, decode.RearLeft)
	ask("fill", false, uds.Refused, decode.RearRight)
	ask("bleed", false, uds.NoAnswer, decode.RearLeft)
	ask("fill", true, uds.Accepted, decode.RearLeft)   // the end of another
	ask("bleed", false, uds.Accepted, decode.RearLeft) // granted
	ask("fill", false, uds.Accepted, decode.RearRight) // granted
	ask("fill", false, uds.Unknown, decode.RearLeft)   // nobody knows
	d.happen(safety.Happening{Kind: safety.MarkSet})
	r := Report{clock: func(capture.Stamp) string { return "00:00:01" }}
	r.asked(&d)
	require.Equal(t, []bool{false, true, true}, []bool{r.Refused[0].Granted, r.Refused[1].Granted, r.Refused[2].Granted})
	require.Equal(t, []string{"00:00:01 fill of rear-left: refused", "2 more, granted when asked again"}, r.refusedWords())

	for range 2 * maxRefusals {
		ask("fill", false, uds.Refused, decode.RearLeft)
	}
	r.asked(&d)
	require.Len(t, r.Refused, maxRefusals)
	words := r.refusedWords()
	require.Len(t, words, shown+1)
	require.Equal(t, "and 99 before, the earliest of them not looked through", words[shown])
}

// Labels, names and notes come from files that anybody may have written.
func TestHostileTextMovesNoCursor(t *testing.T) {
	f := stories["open"](t)
	bad := "x\x1b[2J\u202e\u200b\r\n" + strings.Repeat("z", 300)
	f = add(t, f, session.Addition{At: f.end, Record: session.HandoverRecord{Kind: session.KindHandover, To: bad, By: bad, Note: bad}},
		session.Addition{At: f.end, Record: session.MarkRecord{Kind: session.KindMark, Name: session.KindMark, Note: bad, By: bad}},
		session.Addition{At: f.end, Record: session.MarkRecord{Kind: session.KindMark, Name: "filled", Corner: "rear-right", By: bad}},
		session.Addition{At: f.end, Record: session.MarkRecord{Kind: session.KindMark, Name: "line-open", Corner: bad}})
	r := report(t, f)
	r.Hand(r.Journal(bad, bad, bad), f.end, 1)
	text := r.Text(80)
	require.NotRegexp(t, control, text)
	require.Contains(t, r.Text(10_000), "Cannot tell: 1 mark could not be read, the first: journal record J")
	for line := range strings.SplitSeq(text, "\n") {
		require.LessOrEqual(t, utf8.RuneCountInString(line), 80)
	}
}

// A warning that was given while it was recorded is not forgotten when the rules no longer find it; one that
// they find is told once.
func TestWarningsThatWereTold(t *testing.T) {
	f := stories["open"](t)
	warning := func(rule, corner, text string) session.Addition {
		return session.Addition{At: f.end, Record: session.WarningRecord{Kind: session.KindWarning, Rule: rule, Corner: corner, Text: text, Since: f.end.String()}}
	}
	r := report(t, add(t, f, warning("over-pressure", "rear-left", "REAR-LEFT 12.1 BAR, ABOVE ITS GREATEST. STOP FILLING.")))
	require.Equal(t, []Warning{{Rule: "over-pressure", Severity: "danger", Corner: "rear-left", Start: f.end.String(), at: f.end,
		Says: "while it was recorded somebody was told: REAR-LEFT 12.1 BAR, ABOVE ITS GREATEST. STOP FILLING"}}, r.Warnings)
	require.Contains(t, r.CannotTell[0], "there was danger (1 warning of it)")

	f = stories["early"](t)
	once := report(t, f).Warnings
	require.Equal(t, once, report(t, add(t, f, warning("lowered-without-pressure", "rear-right", "REAR-RIGHT IS COMING DOWN"))).Warnings)
}

// An adapter that is lost over a spring that hangs empty is a warning, and lasts.
func TestAdapterLost(t *testing.T) {
	f := stories["bled"](t)
	r := report(t, add(t, f, session.Addition{At: f.end, Record: session.LinkRecord{Kind: session.KindLink, Bus: "can0", State: session.LinkGone}}))
	require.Equal(t, DoNotLower, r.Lowering)
	require.Contains(t, strings.Join(r.Against, "\n"), "BLIND adapter lost, rear-left hangs empty. Do not lower.")
	require.Contains(t, r.CannotTell[0], "Cannot tell: blind, adapter lost")
	require.True(t, r.Warnings[0].Lasts)
	require.Equal(t, "the adapter was lost while rear-left hung empty", r.Warnings[0].Says)
}

// Handovers beyond the bound are forgotten, the latest stay.
func TestManyHandovers(t *testing.T) {
	f := stories["open"](t)
	var all []session.Addition
	for i := range 3 * maxHandovers {
		all = append(all, session.Addition{At: f.end, Record: session.HandoverRecord{Kind: session.KindHandover, To: string(rune('a' + i))}})
	}
	r := report(t, add(t, f, all...))
	require.Len(t, r.Before, maxHandovers)
	require.Equal(t, "o", r.Before[maxHandovers-1].To)
}

// The error of the source is that of Run.
func TestErrors(t *testing.T) {
	want := errors.New("the disk is gone")
	_, err := Run(t.Context(), Input{Source: failing{want}})
	require.ErrorIs(t, err, want)
}

type failing struct{ err error }

func (f failing) Next(context.Context, *capture.Batch) error { return f.err }

func TestLoweringWords(t *testing.T) {
	require.Equal(t, "cannot-tell", Lowering(0).String())
	require.Equal(t, "cannot-tell", Lowering(99).String())
	require.Equal(t, "do-not-lower", DoNotLower.String())
}
