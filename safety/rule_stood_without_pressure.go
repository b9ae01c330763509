package safety

import (
	"fmt"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
)

var stoodWithoutPressure = &Rule{
	Name:  "stood-without-pressure",
	Title: "what was in the spring while the vehicle stood on it",
	Doc: `The vehicle stood for 10 s or more on a corner below its least pressure; or it came down on
that corner when it was empty and no fill came since (a crushed bellows reads more than it holds);
or its pressure lay below 0.7 of what it was when this corner stood before: then the bump stop
carries the rest. Held where it stood for 10 s or more and every pressure lay above the least by
its uncertainty and its step.`,
	Source:   "common practice, no source",
	Severity: Danger,
	Scope:    PerCorner,
	Asked:    AskedAlways,
	Takes:    []decode.Quantity{decode.Pressure},
	Limits:   []LimitName{LimitLeast},
	Watch:    func(p *Pass) Watcher { return &stoodWatch{p: p} },
}

// stoodFor is how long a vehicle must stand for the rule to judge, and for a low pressure to count.
const stoodFor = 10 * time.Second

// stretch is what was seen in one stretch of standing.
type stretch struct {
	from, to capture.Stamp
	lowest   Reading
	seen     bool
	lowFrom  capture.Stamp // since when it is below
	low      Reading
	broken   string
	usual    float64 // mean pressure
	n        int
}

type stoodWatch struct {
	p        *Pass
	standing bool
	now      stretch
	before   float64 // mean pressure of an earlier stretch, bar
	known    bool
	down     *Closing // how it came down last, nil once a fill was seen
	judged   bool     // a stretch of standing was, since it came down
	said     bool     // somebody said since that it is filled
}

func (w *stoodWatch) Happen(h Happening) {
	switch h.Kind {
	case PhaseChanged:
		w.phase(h)
	case WasStanding:
		if !w.standing {
			w.close(h.At)
		}
	case DescentBegan, DescentJoined:
		if w.p.mine(h) {
			w.cameDown(h.Closing)
		}
	case AirStep:
		if w.p.mine(h) && h.Move.Fill && h.Move.Change() >= airMoveLeast {
			w.down = nil
		}
	case MarkSet:
		if h.Mark.Name == MarkFilled && w.p.meant(h.Mark) {
			w.said = true
		}
	}
}

// phase opens and closes a stretch of standing. A stretch before the first raise is kept open
// from the start, since only the raise tells that the vehicle stood.
func (w *stoodWatch) phase(h Happening) {
	if h.From == Standing {
		w.standing = false
		w.close(w.p.vehicle.phaseSince)
	}
	w.now = stretch{}
	if h.To == Standing {
		w.standing = true
		w.now = stretch{from: h.At}
	}
}

// cameDown notes how the corner came down. A body that was seen at rest and only kneels changes
// nothing.
func (w *stoodWatch) cameDown(cl *Closing) {
	if cl.Phase == Standing && w.p.vehicle.sawRest && !w.p.onEmpty(cl) {
		return
	}
	w.down, w.said, w.judged = cl, false, false
}

// crushed reports whether it came down empty and no fill was seen since.
func (w *stoodWatch) crushed() bool { return w.down != nil && w.p.onEmpty(w.down) }

// doubtful reports whether it came down, nobody can tell on what, and no fill was seen or said since.
func (w *stoodWatch) doubtful() bool {
	if w.down == nil || w.said {
		return false
	}
	why, _ := w.p.untold(w.down)
	return why != ""
}

func (w *stoodWatch) Sample(r Reading) {
	if w.p.vehicle.phase != Standing && w.p.vehicle.phase != PhaseUnknown {
		return
	}
	s := &w.now
	if s.from == 0 {
		s.from = r.At
	}
	if !s.seen || r.Value < s.lowest.Value {
		s.lowest, s.seen = r, true
	}
	s.n++
	s.usual += (r.Value - s.usual) / float64(s.n)
	w.low(r)
	s.to = r.At
}

// low follows how long the pressure has been too low.
func (w *stoodWatch) low(r Reading) {
	s := &w.now
	why := w.tooLow(r)
	if why == "" {
		s.lowFrom = 0
		return
	}
	if s.lowFrom == 0 {
		s.lowFrom, s.low = r.At, r
	}
	if r.Value < s.low.Value {
		s.low = r
	}
	if s.broken == "" && r.At.Sub(s.lowFrom) >= stoodFor {
		s.broken = why
		if w.standing {
			w.report(r.At)
		}
	}
}

func (w *stoodWatch) tooLow(r Reading) string {
	least, share := w.p.Limit(LimitLeast), w.p.Limit(LimitBumpStopShare)
	switch {
	case r.Value+2*r.sensor.u < least.Value:
		return fmt.Sprintf("%s stood on a spring with less than %s in it", w.p.Corner, bar(least.Value))
	case w.crushed():
		return fmt.Sprintf("%s stood on a spring that came down empty and was not filled since", w.p.Corner)
	case w.known && r.Value+2*r.sensor.u < share.Value*w.before:
		return fmt.Sprintf("%s stood on its bump stop: its pressure lay below %g of the %s with which it stood before",
			w.p.Corner, share.Value, bar(w.before))
	}
	return ""
}

// report gives the broken verdict of the present stretch.
func (w *stoodWatch) report(at capture.Stamp) {
	s := &w.now
	w.judged = true
	w.p.Report(Verdict{Outcome: Broken, Start: s.lowFrom, End: at, Class: Seen, Summary: s.broken,
		Evidence: []Evidence{s.low.evidence()}, Rests: w.rests(s.lowFrom, at)})
}

func (w *stoodWatch) rests(from, to capture.Stamp) []Rest {
	return []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: from, To: to}}
}

// close judges the present stretch, which ended at `at`.
func (w *stoodWatch) close(at capture.Stamp) {
	s := w.now
	w.now = stretch{}
	if s.from == 0 || at.Sub(s.from) < stoodFor {
		return
	}
	if s.broken != "" {
		if !w.standing && w.p.vehicle.phase != Standing && len(w.p.verdicts) == 0 {
			w.now = s
			w.report(at)
			w.now = stretch{}
		}
		return
	}
	w.judged = true
	v := Verdict{Start: s.from, End: at, Class: Seen, Rests: w.rests(s.from, at)}
	switch {
	case !s.seen:
		v.Reason, v.Note = Stale, "no valid pressure came while it stood"
		if c := w.p.corner(); c.pressure == nil || c.pressure.heard == 0 {
			v.Reason, v.Note = NoSignal, "no pressure signal"
		}
	case w.doubtful():
		v.Reason, v.Note = NotObservable, "nobody can tell on what pressure it came down, and no fill was seen since"
	case s.lowest.Value-2*s.lowest.sensor.u-s.lowest.sensor.q < w.p.Limit(LimitLeast).Value:
		v.Reason, v.Note = InsideUncertainty, fmt.Sprintf("its lowest pressure, %s, lies within its uncertainty of the least", bar(s.lowest.Value))
	default:
		v.Outcome = Held
		v.Summary = fmt.Sprintf("%s stood with %s or more in it", w.p.Corner, bar(s.lowest.Value))
	}
	if s.seen {
		v.Evidence = []Evidence{s.lowest.evidence()}
		w.before, w.known = s.usual, true
	}
	w.p.Report(v)
}

// Finish judges the last stretch. Where it came down on too little and was not seen to stand since, the
// stretches before that are not all there is to tell.
func (w *stoodWatch) Finish(at capture.Stamp) {
	if w.standing {
		w.close(at)
	}
	if !w.judged && (w.crushed() || w.doubtful()) {
		w.p.Report(Verdict{Reason: NotObservable, Note: "it came down, and was not seen to stand for 10 s since",
			Start: w.down.T0, End: at, Class: Seen})
	}
}
