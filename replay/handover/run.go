package handover

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
	"ridewitness/safety/review"
)

// Input is a session and what is known beside it.
type Input struct {
	Source  capture.Source
	File    string // name, for the report
	Signals []decode.Signal
	Card    *jobcard.Card // nil: none
	// Integrity returns the verdict on the file once the source has ended; nil where there is none.
	Integrity func() session.Integrity
	Now       time.Time // of the handover; the zero time is not known
	// Progress, when set, is told now and then how far the session has been read.
	Progress func(at capture.Stamp)
}

// How many of each a report holds, so that it stays a page whatever the file says. Of refusals and of
// what was done the last ones count, of warnings the worst.
const (
	maxRefusals  = 50
	maxWarnings  = 50
	maxMarks     = 5
	maxHandovers = 5
)

// afterEnd stands in every report.
const afterEnd = "What happened after its end is unknown."

// reading is what is gathered while the session is read.
type reading struct {
	facts    session.Facts
	last     capture.Stamp // of the last frame
	requests int
	refused  []refused
	refusedN int
	warned   map[warned]bool
	told     []told
	handed   []Handed
}

// warned names a warning that was given.
type warned struct {
	rule   *safety.Rule
	corner decode.Corner
	axle   safety.Axle
	start  capture.Stamp
}

func warnedOf(f *safety.Finding) warned { return warned{f.Rule, f.Corner, f.Axle, f.Start} }

// told is a warning that the journal says was given while the session was recorded.
type told struct {
	session.WarningRecord
	at capture.Stamp
}

// refused is a request that was not granted.
type refused struct {
	*safety.Request
	granted bool // it was later
}

// Run reads a session to its end and says what is open there. The error is that of ctx, of the source or
// of the definitions.
func Run(ctx context.Context, in Input) (*Report, error) {
	pipe, err := safety.NewPipeline(in.Signals, in.Card, nil)
	if err != nil {
		return nil, err
	}
	read := reading{warned: map[warned]bool{}}
	pipe.Judge.Trace = read.happen
	pipe.Judge.Alarm = func(f safety.Finding) { read.warned[warnedOf(&f)] = true }
	follow := terminal.Follow(pipe, terminal.Facts{Mode: terminal.Replay})
	err = capture.Each(ctx, in.Source, func(batch *capture.Batch) {
		read.take(batch)
		follow.Take(batch)
		if in.Progress != nil {
			in.Progress(pipe.Judge.Now())
		}
	})
	if err != nil {
		return nil, err
	}
	// As the screen had it at the last moment: finishing closes what still goes on, and warns of work that
	// is only not done yet.
	state := follow.StateAt(read.facts.End())
	if start := read.facts.Start(); start != 0 {
		state.Start = start // the screen counts from what it saw first
	}
	pipe.Judge.Alarm = nil
	follow.Finish()
	r := &Report{Schema: Schema, File: in.File, Origin: read.facts.Origin(), AfterEnd: afterEnd,
		Caution: strings.ReplaceAll(review.Caution, "\n", " "), clock: func(at capture.Stamp) string { return terminal.Clock(state.Start, at) }}
	if in.Card != nil {
		r.Label, r.Job = in.Card.Label, in.Card.Job
	}
	r.times(&read, in.Now)
	r.state(&state)
	r.asked(&read)
	r.found(pipe.Judge, &state, &read)
	r.said(pipe.Judge, &read)
	r.record(in, &read)
	r.conclude(&state, pipe.Judge)
	return r, nil
}

// take notes what a batch says beside its signals.
func (d *reading) take(b *capture.Batch) {
	d.facts.Observe(b)
	for i := range b.Frames {
		d.last = max(d.last, b.Frames[i].At)
	}
	for i := range b.Events {
		d.journal(&b.Events[i])
	}
}

// journal notes who took over before, and which warnings were given.
func (d *reading) journal(e *capture.Event) {
	if e.Kind != capture.EventJournal {
		return
	}
	switch e.Name {
	case session.KindHandover:
		if h := session.ReadHandover(e); h != nil {
			d.handed = latest(d.handed, maxHandovers, Handed{At: e.At.String(), Record: e.Record, To: h.To, By: h.By, Note: h.Note, at: e.At})
		}
	case session.KindWarning:
		w := told{at: e.At}
		if json.Unmarshal(e.Body, &w.WarningRecord) == nil {
			d.told = latest(d.told, maxWarnings, w)
		}
	}
}

// latest appends to a list and forgets the first of it where it is full.
func latest[T any](all []T, most int, more T) []T {
	if len(all) == most {
		all = slices.Delete(all, 0, 1)
	}
	return append(all, more)
}

// happen follows the tester's requests.
func (d *reading) happen(h safety.Happening) {
	if h.Kind != safety.RequestMade {
		return
	}
	d.requests++
	if !h.Request.Refused() {
		d.grant(h.Request)
		return
	}
	d.refusedN++
	d.refused = latest(d.refused, maxRefusals, refused{Request: h.Request})
}

// grant notes that what was refused before is granted now.
func (d *reading) grant(r *safety.Request) {
	if !r.Accepted() {
		return
	}
	for i := range d.refused {
		if o := &d.refused[i]; o.Stage == r.Stage && o.Stop == r.Stop && slices.Equal(o.Corners, r.Corners) {
			o.granted = true
		}
	}
}

func (r *Report) times(d *reading, now time.Time) {
	r.start, r.end, r.last = d.facts.Start(), d.facts.End(), d.last
	r.Start, r.End, r.Last = timeOf(r.start), timeOf(r.end), timeOf(r.last)
	if now.IsZero() || r.last == 0 {
		return
	}
	if ago := capture.StampOf(now).Sub(r.last); ago >= 0 {
		r.AgoS = seconds(ago)
	}
}

// timeOf returns a time of the JSON form, nil where it is not known.
func timeOf(at capture.Stamp) *string {
	if at == 0 {
		return nil
	}
	text := at.String()
	return &text
}

// state takes over what the screen showed at the end.
func (r *Report) state(s *terminal.State) {
	r.Against, r.Lines, r.Bled, r.Said = list(s.Against()), list(s.Lines()), list(s.Bled()), list(s.Said())
	r.Stage, r.StageBy = s.StageWords(), s.Stage.From
	r.Sight, r.Seen = strings.ReplaceAll(strings.ToLower(s.Sight.String()), " ", "-"), s.SightWords()
	r.Corners = []Corner{}
	for i := range s.Corners {
		r.Corners = append(r.Corners, cornerOf(&s.Corners[i].CornerView, s.Standing))
	}
}

// seconds returns a duration in s, to the millisecond.
func seconds(d time.Duration) *float64 { return rounded(d.Seconds(), 1e3) }

// rounded takes the binary fraction out of a value; parts is how many of them 1 has.
func rounded(v, parts float64) *float64 {
	v = math.Round(v*parts) / parts
	return &v
}

func cornerOf(v *safety.CornerView, standing []safety.StandingLine) Corner {
	c := Corner{Corner: v.Corner.String(), OnAir: v.OnAir, Fresh: v.Pressure.Fresh()}
	if v.Pressure.Seen {
		c.Pressure, c.AgeS = rounded(v.Pressure.Last.Value, 1e6), seconds(v.Pressure.Age)
	}
	if v.Least.Known {
		c.Least = rounded(v.Least.Value, 1e6)
	}
	for i := range standing {
		if l := &standing[i]; l.Corner == v.Corner {
			c.Against, c.LineOpen, c.Bled, c.Fills = l.Kind, timeOf(l.Line), timeOf(l.Bled), l.Fills
		}
	}
	return c
}

// asked takes over what the tester asked for.
func (r *Report) asked(d *reading) {
	r.Requests, r.Refused, r.RefusedN = d.requests, []Refusal{}, d.refusedN
	for _, o := range d.refused {
		r.Refused = append(r.Refused, Refusal{At: o.Decided.String(), Says: terminal.RequestWords(o.Request), Granted: o.granted, at: o.Decided})
	}
}

// found takes over which warnings were given, those that last first. What the rules withdrew or denied
// since is none, unless somebody was told of it.
func (r *Report) found(j *safety.Judge, s *terminal.State, read *reading) {
	r.Warnings = []Warning{}
	findings := j.Findings()
	r.Answers = len(findings)
	for i := range findings {
		f := &findings[i]
		switch {
		case f.Outcome == safety.CannotTell:
			r.Untold++
		case f.Outcome == safety.Broken && f.Rule.Severity != safety.Advice && read.warned[warnedOf(f)]:
			r.warn(Warning{Rule: f.Rule.Name, Severity: f.Rule.Severity.String(), Corner: f.Corner.String(), Start: f.Start.String(),
				Says: f.Summary, at: f.Start, Lasts: lasts(s, f)})
		}
	}
	for i := range s.Dangers {
		if d := &s.Dangers[i]; safety.RuleByName(d.Rule) == nil {
			r.warn(Warning{Rule: d.Rule, Severity: safety.Danger.String(), Corner: d.Corner.String(), Start: d.Since.String(),
				Says: strings.TrimSuffix(d.Over, "."), at: d.Since, Lasts: d.Lasts()})
		}
	}
	for _, w := range read.told {
		if !r.lists(w.Rule, w.Corner) {
			r.warn(Warning{Rule: w.Rule, Severity: safety.Danger.String(), Corner: w.Corner, Start: w.at.String(),
				Says: "while it was recorded somebody was told: " + strings.TrimSuffix(w.Text, "."), at: w.at})
		}
	}
	slices.SortStableFunc(r.Warnings, func(a, b Warning) int { return rank(&b) - rank(&a) })
	r.WarningN = len(r.Warnings)
	r.Warnings = r.Warnings[:min(len(r.Warnings), maxWarnings)]
}

func (r *Report) warn(w Warning) { r.Warnings = append(r.Warnings, w) }

// lists reports whether there is a warning of that rule at that corner.
func (r *Report) lists(rule, corner string) bool {
	return slices.ContainsFunc(r.Warnings, func(w Warning) bool { return w.Rule == rule && w.Corner == corner })
}

// rank orders warnings: what lasts, dangers, the others.
func rank(w *Warning) int {
	n := 0
	if w.Lasts {
		n = 2
	}
	if w.Severity == safety.Danger.String() {
		n++
	}
	return n
}

// lasts reports whether the danger of a finding was not over at the end.
func lasts(s *terminal.State, f *safety.Finding) bool {
	return slices.ContainsFunc(s.Dangers, func(d terminal.Danger) bool {
		return d.Lasts() && d.Rule == f.Rule.Name && d.Corner == f.Corner && d.Since == f.Start
	})
}

// said takes over what hands marked and who took over before.
func (r *Report) said(j *safety.Judge, d *reading) {
	r.Marks, r.Before = []Mark{}, list(d.handed)
	marks := j.Marks()
	r.MarksN = len(marks)
	for _, m := range marks[max(len(marks)-maxMarks, 0):] {
		words := []string{m.Name, m.Corner.String(), m.Value, m.Note}
		if m.By != "" {
			words = append(words, "("+m.By+")")
		}
		r.Marks = append(r.Marks, Mark{At: m.At.String(), Record: m.Record, at: m.At,
			Says: strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), " ")})
	}
}

// record takes over how whole the file is.
func (r *Report) record(in Input, d *reading) {
	_, more := d.facts.Untold()
	r.Record = Record{Integrity: session.Unsealed.String(), Note: review.IntegrityNote(session.Integrity{}), Mended: d.facts.Mended() != nil,
		Damaged: len(d.facts.Damage()) + more, Frames: d.facts.Frames(), Lost: d.facts.Lost()}
	if before := d.facts.GoesOn(); before != nil {
		name := filepath.Base(before.File)
		r.Record.GoesOn = &name
	}
	if in.Integrity != nil {
		verdict := in.Integrity()
		r.Record.Integrity, r.Record.Note = verdict.Verdict.String(), review.IntegrityNote(verdict)
	}
}

// conclude says what the end tells of lowering, and lists what is open.
func (r *Report) conclude(s *terminal.State, j *safety.Judge) {
	for _, d := range slices.Backward(s.Dangers) {
		if d.Lasts() {
			r.Against = slices.Insert(r.Against, 0, d.Words())
		}
	}
	r.CannotTell = append(r.wholeness(), sight(s)...)
	if n := len(j.Unreadable()); n > 0 {
		r.cannotTell("%s could not be read, the first: %v", many(n, "mark"), j.Unreadable()[0])
	}
	for _, c := range j.Contradictions() {
		r.cannotTell("%s", c)
	}
	if n := r.dangers(); n > 0 {
		r.cannotTell("there was danger (%s of it); what that did to springs and lines no frame shows. Look at them", many(n, "warning"))
	}
	switch {
	case len(r.Against) > 0:
		r.Lowering = DoNotLower
	case len(r.CannotTell) == 0 && len(r.Said) == 0:
		r.Lowering, r.NoWarning = NothingKnown, s.StandingLine()
	}
	r.Open = append([]string{}, slices.Concat(r.Against, r.Bled, r.CannotTell, r.Said)...) // of nothing too: null would be unknown
	for _, f := range r.Refused {
		if !f.Granted {
			r.Open = append(r.Open, r.clock(f.at)+" "+f.Says+".")
		}
	}
}

// dangers counts the warnings of danger.
func (r *Report) dangers() int {
	n := 0
	for i := range r.Warnings {
		if r.Warnings[i].Severity == safety.Danger.String() {
			n++
		}
	}
	return n
}

func (r *Report) cannotTell(format string, args ...any) {
	r.CannotTell = append(r.CannotTell, "Cannot tell: "+strings.TrimSuffix(fmt.Sprintf(format, args...), ".")+".")
}

// wholeness says what of the file is missing or not to be relied on.
func (r *Report) wholeness() []string {
	r.CannotTell = []string{}
	if r.Record.GoesOn != nil {
		r.cannotTell("this goes on from %s, and what was bled or opened there is not known here: hand that over too", *r.Record.GoesOn)
	}
	switch r.Record.Integrity {
	case session.CutShort.String():
		r.cannotTell("the file has no end, so it was cut short or is still being written; what was recorded later is missing")
	case session.Altered.String():
		r.cannotTell("the file was altered after it was sealed, and behind its last good seal nothing of it is proven")
	}
	if r.Record.Mended {
		r.cannotTell("this is what could be kept of a damaged file; what came later is missing")
	}
	if r.Record.Damaged > 0 {
		r.cannotTell("%s of the file could not be read and had to be left out", many(r.Record.Damaged, "piece"))
	}
	return r.CannotTell
}

// sight says of what nothing was seen at the end.
func sight(s *terminal.State) []string {
	switch s.Sight {
	case terminal.Watching:
		return nil
	case terminal.PartBlind:
		return []string{"Cannot tell: part blind, " + s.Blindness() + "."}
	default:
		return []string{"Cannot tell: blind, " + s.Blindness() + ". Look at the lift."}
	}
}

// many is a number with its noun.
func many(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// list returns s as scripts may rely on it: a list, though it be empty.
func list[T any](s []T) []T { return append([]T{}, s...) }
