package classroom

import (
	"context"
	"encoding/json"
	"slices"
	"sort"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/quantity"
	"ridewitness/decode/signaldef"
	"ridewitness/replay/scenario"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
)

// Input is a session and what is known beside it.
type Input struct {
	Source  capture.Source
	Signals []decode.Signal
	Card    *jobcard.Card // nil: none
	// Origin is where the frames come from: vehicle, virtual, simulated. Empty: what the session's
	// own record says, unknown where it has none.
	Origin string
	// ShowLabel shows the vehicle's label although the session comes from a vehicle.
	ShowLabel bool
	// Progress, when set, is told now and then how far the session has been read.
	Progress func(at capture.Stamp)
}

// ScenarioInput returns the input of a lesson that plays a built-in scenario.
func ScenarioInput(p Plays) (Input, error) {
	s, err := scenario.Builtin(p.Scenario)
	if err != nil {
		return Input{}, err
	}
	run, err := s.Open(p.Seed)
	if err != nil {
		return Input{}, err
	}
	signals, err := signaldef.Load(p.Scenario+" definitions", []byte(s.Definitions()))
	if err != nil {
		return Input{}, err
	}
	card, err := jobcard.Load(p.Scenario+" job card", []byte(s.Card()))
	if err != nil {
		return Input{}, err
	}
	return Input{Source: run, Signals: signals, Card: card, Origin: scenario.Origin}, nil
}

// Course is what a class can be shown of a session: the courses of pressure and height in each
// corner, the stages, and what the rules found. It does not change once it is made.
//
// All of it is known beforehand, so that a trainer can go back and forth; what of it may leave is
// the Room's matter.
type Course struct {
	Start, End capture.Stamp
	Origin     string
	Label      string // the vehicle's, "" where there is none or it is not to be shown
	Findings   []safety.Finding
	Marks      []safety.Mark
	Stages     []safety.Stage

	corners [5]corner // by decode.Corner; [0] is unused
	silent  []span    // nothing was recorded
}

// corner is what is drawn of one corner.
type corner struct {
	onAir    bool
	least    float64 // bar gauge, 0: unknown
	greatest float64
	pressure track
	height   track
}

// span is a stretch of time.
type span struct{ from, to capture.Stamp }

// silence is how long nothing must have come to be skipped while playing.
const silence = 20 * time.Second

// Watch reads a session to its end.
func Watch(ctx context.Context, in Input) (*Course, error) {
	p, err := safety.NewPipeline(in.Signals, in.Card, nil)
	if err != nil {
		return nil, err
	}
	w := &watcher{course: &Course{Origin: in.Origin}}
	w.attach(p.Decoder.Signals())
	p.Tap = w.take
	err = capture.Each(ctx, in.Source, func(batch *capture.Batch) {
		w.frames(batch)
		p.Take(batch)
		if in.Progress != nil {
			in.Progress(p.Judge.Now())
		}
	})
	if err != nil {
		return nil, err
	}
	p.Finish()
	return w.finish(in, p.Judge), nil
}

// watcher builds a Course while the session is read.
type watcher struct {
	course  *Course
	tracks  []*track // by decode.SignalIndex; nil: not drawn
	signals []decode.Signal
	baro    decode.SignalIndex
	hasBaro bool
	outside float64 // bar absolute, the last valid one; 0: not heard yet
	begun   bool
	heard   capture.Stamp
}

func (w *watcher) attach(signals []decode.Signal) {
	w.signals = signals
	w.tracks = make([]*track, len(signals))
	for i := range signals {
		s := &signals[i]
		c := &w.course.corners[s.Corner]
		switch {
		case s.Quantity == decode.BarometricPressure:
			w.baro, w.hasBaro = decode.SignalIndex(i), true
		case s.Corner == decode.NoCorner:
		case s.Quantity == decode.Pressure:
			w.tracks[i] = &c.pressure
		case s.Quantity == decode.Height:
			w.tracks[i] = &c.height
		}
	}
}

// frames follows when the session begins and ends, and what its own record says.
func (w *watcher) frames(b *capture.Batch) {
	c := w.course
	for i := range b.Events {
		e := &b.Events[i]
		if e.Kind == capture.EventJournal && e.Name == "session" && c.Origin == "" {
			var record struct {
				Origin string `json:"origin"`
			}
			if json.Unmarshal(e.Body, &record) == nil {
				c.Origin = record.Origin
			}
		}
	}
	for i := range b.Frames {
		at := b.Frames[i].At
		if !w.begun {
			w.begun, c.Start, w.heard = true, at, at
		}
		if at.Sub(w.heard) > silence {
			c.silent = append(c.silent, span{w.heard, at})
		}
		w.heard = max(w.heard, at)
	}
}

// take keeps the samples that are drawn.
func (w *watcher) take(samples []decode.Sample) {
	for i := range samples {
		s := &samples[i]
		valid := s.Status == decode.StatusValid
		if w.hasBaro && s.Signal == w.baro && valid {
			if bar, err := w.signals[s.Signal].Unit.In(quantity.Bar, s.Value); err == nil {
				w.outside = bar
			}
		}
		if t := w.tracks[s.Signal]; t != nil {
			value, known := w.shown(&w.signals[s.Signal], s.Value)
			t.add(point{s.At, value, valid && known})
		}
	}
}

// shown returns a value in bar gauge or mm. An absolute pressure can't be shown before the first
// barometric one: gauge and absolute must never stand side by side unsaid (HAZARDS H01).
func (w *watcher) shown(s *decode.Signal, value float64) (float64, bool) {
	unit := quantity.Millimetre
	if s.Quantity == decode.Pressure {
		unit = quantity.Bar
	}
	v, err := s.Unit.In(unit, value)
	if s.Quantity == decode.Pressure && s.Reference == decode.Absolute {
		return v - w.outside, err == nil && w.outside > 0
	}
	return v, err == nil
}

func (w *watcher) finish(in Input, j *safety.Judge) *Course {
	c := w.course
	c.End = max(w.heard, c.Start)
	c.Findings, c.Marks, c.Stages = j.Findings(), j.Marks(), j.Stages()
	if c.Origin == "" {
		c.Origin = "unknown"
	}
	if in.Card != nil && (c.Origin != "vehicle" || in.ShowLabel) {
		c.Label = in.Card.Label
	}
	for _, id := range decode.Corners {
		state, n := j.Corner(id), &c.corners[id]
		n.onAir = state.OnAir
		if state.Least.Known {
			n.least = state.Least.Value
		}
		if state.Greatest.Known {
			n.greatest = state.Greatest.Value
		}
		n.pressure.finish()
		n.height.finish()
	}
	return c
}

// skip returns where playing goes on when it comes to at: behind a silence, or at itself.
func (c *Course) skip(at capture.Stamp) capture.Stamp {
	i, found := slices.BinarySearchFunc(c.silent, at, func(s span, t capture.Stamp) int {
		switch {
		case t >= s.to:
			return -1
		case t <= s.from:
			return 1
		default:
			return 0
		}
	})
	if found {
		return c.silent[i].to
	}
	return at
}

// recently is how long a mark is shown while no stage is known.
const recently = time.Minute

// stage says what is going on at a time: the stage that began last, or else what somebody said
// within the last minute.
func (c *Course) stage(at capture.Stamp) string {
	var now *safety.Stage
	for i := range c.Stages {
		if s := &c.Stages[i]; s.Start <= at && at <= s.End {
			now = s
		}
	}
	switch {
	case now == nil:
		return c.said(at)
	case len(now.Corners) == 1:
		return now.Name + " " + spoken(now.Corners[0])
	default:
		return now.Name
	}
}

func (c *Course) said(at capture.Stamp) string {
	text := ""
	for i := range c.Marks {
		if m := &c.Marks[i]; m.At <= at && at.Sub(m.At) < recently && m.Name != safety.MarkTape && m.Name != safety.MarkNote {
			text = "said: " + m.Name
		}
	}
	return text
}

// point is one value of a track.
type point struct {
	at    capture.Stamp
	value float64
	valid bool
}

// maxPoints bounds a track: 2 h at full rhythm. Longer sessions are kept more coarsely.
const maxPoints = 1 << 16

// finest is the smallest distance of the points of a track; nobody sees more on a projector.
const finest = 100 * time.Millisecond

// track is the course of one signal, thinned to points at least `every` apart. A change between
// valid and not is always kept, so a thinned track never shows a value where there was none.
type track struct {
	points []point
	every  time.Duration
	stale  time.Duration // older than this, the last value says nothing about now
	// least and greatest are those of the points up to the same index: what the axis needs to know
	// of the past, and no more.
	least, greatest []float64
}

func (t *track) add(p point) {
	if t.every == 0 {
		t.every = finest
	}
	if n := len(t.points); n > 0 {
		last := t.points[n-1]
		// samples of a file with a clock that stepped back can't be drawn on one axis
		if p.at < last.at || p.valid == last.valid && p.at.Sub(last.at) < t.every {
			return
		}
	}
	if len(t.points) == maxPoints {
		t.thin()
	}
	t.points = append(t.points, p)
}

// thin drops every second point but those where validity changes.
func (t *track) thin() {
	t.every *= 2
	kept := t.points[:1]
	for _, p := range t.points[1:] {
		last := kept[len(kept)-1]
		if p.valid != last.valid || p.at.Sub(last.at) >= t.every {
			kept = append(kept, p)
		}
	}
	if len(kept) == maxPoints { // it flickers between valid and not: the older half goes
		kept = append(kept[:0], kept[maxPoints/2:]...)
	}
	t.points = kept
}

// finish works out the rhythm and the extremes.
func (t *track) finish() {
	gaps := make([]time.Duration, 0, len(t.points))
	t.least, t.greatest = make([]float64, len(t.points)), make([]float64, len(t.points))
	seen := false
	for i, p := range t.points {
		if i > 0 {
			gaps = append(gaps, p.at.Sub(t.points[i-1].at))
			t.least[i], t.greatest[i] = t.least[i-1], t.greatest[i-1]
		}
		if p.valid && !seen {
			seen, t.least[i], t.greatest[i] = true, p.value, p.value
		}
		if p.valid {
			t.least[i], t.greatest[i] = min(t.least[i], p.value), max(t.greatest[i], p.value)
		}
	}
	slices.Sort(gaps)
	t.stale = time.Second
	if len(gaps) > 0 {
		t.stale = max(t.stale, 3*gaps[len(gaps)/2])
	}
}

// upTo returns how many points are not later than at.
func (t *track) upTo(at capture.Stamp) int {
	return sort.Search(len(t.points), func(i int) bool { return t.points[i].at > at })
}

// reading is what a track says at a time.
type reading struct {
	value float64
	valid bool
	age   time.Duration // since the last valid value
	heard bool          // there was one
}

// read returns what was known at a time, from the points up to then only.
func (t *track) read(at capture.Stamp) reading {
	n := t.upTo(at)
	for i := n - 1; i >= 0; i-- {
		if p := t.points[i]; p.valid {
			age := at.Sub(p.at)
			return reading{value: p.value, valid: i == n-1 && age <= t.stale, age: age, heard: true}
		}
	}
	return reading{}
}
