package safety

import (
	"fmt"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
)

var engineRunTooShort = &Rule{
	Name:  "engine-run-too-short",
	Title: "how long the engine ran between first contact and lowering",
	Doc: `Between the mark 'first contact' and the moment at which the first corner began to close the
engine ran for less than the limit (two minutes), so the compressor may not have caught up. Nothing
is told without the mark, with a mark that comes after the lowering, or while the engine's speed is
stale.`,
	Source:   "common practice, no source",
	Severity: Warning,
	Scope:    PerVehicle,
	Asked:    AskedByMark,
	Takes:    []decode.Quantity{decode.EngineSpeed},
	Watch:    func(p *Pass) Watcher { return &engineRunWatch{p: p} },
}

// runClock adds up how long the engine has run.
type runClock struct {
	total time.Duration
	last  Reading
	any   bool
	first Reading // at which the present run began
	past  recent  // of the total, in seconds
}

func (c *runClock) add(r Reading, runsFrom float64, limit time.Duration) {
	if c.any && c.last.Value >= runsFrom {
		if d := r.At.Sub(c.last.At); d <= limit {
			c.total += d
		}
	}
	if r.Value >= runsFrom && (!c.any || c.last.Value < runsFrom) {
		c.first = r
	}
	c.last, c.any = r, true
	c.past.push(point{at: r.At, v: c.total.Seconds()})
}

// upTo returns the total at an earlier moment, in seconds.
func (c *runClock) upTo(at capture.Stamp) float64 {
	if p, ok := c.past.before(at); ok {
		return p.v
	}
	return c.total.Seconds()
}

type engineRunWatch struct {
	deaf
	p       *Pass
	contact *Mark
	clock   runClock
	atMark  float64 // seconds run when the mark came
	lowered bool
}

func (w *engineRunWatch) Sample(r Reading) {
	w.clock.add(r, w.p.Limit(LimitEngineSpeed).Value, r.sensor.rhythm.Limit())
}

func (w *engineRunWatch) Happen(h Happening) {
	switch h.Kind {
	case MarkSet:
		if h.Mark.Name == MarkFirstContact {
			w.p.Marked(h.Mark)
			w.contact, w.atMark = h.Mark, w.clock.total.Seconds()
		}
	case MarkTaken:
		if h.Mark == w.contact {
			w.contact = nil
		}
	case DescentBegan:
		w.lowered = true
		w.judge(h.Start, h.At)
	}
}

func (w *engineRunWatch) judge(t0, at capture.Stamp) {
	v := Verdict{Start: t0, End: at, Class: Seen}
	if w.contact == nil {
		v.Reason = NoMark
		w.p.Report(v)
		return
	}
	v.Start = w.contact.At
	v.Evidence = []Evidence{w.contact.evidence(), w.clock.last.evidence()}
	v.Rests = []Rest{{Quantity: decode.EngineSpeed, From: w.contact.At, To: t0}}
	limit := w.p.Limit(LimitRunBeforeLowering).Value
	ran := w.clock.upTo(t0) - w.atMark
	switch {
	case w.contact.At >= t0:
		v.Reason, v.Note = NoMark, "the mark of first contact came after the lowering began"
	case !w.clock.any:
		v.Reason = NoSignal
	case w.unseen(t0) != "":
		v.Reason = w.unseen(t0)
	case ran < limit:
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("the engine ran for %.0f s between first contact and lowering, at least %.0f s are wanted", max(ran, 0), limit)
	default:
		v.Outcome = Held
		v.Summary = fmt.Sprintf("the engine ran for %.0f s between first contact and lowering", ran)
	}
	w.p.Report(v)
}

// unseen returns why the engine's speed can't be relied on from the mark up to t0.
func (w *engineRunWatch) unseen(t0 capture.Stamp) Reason {
	return w.p.vehicle.whole(w.p.vehicle.sensors[decode.EngineSpeed], w.contact.At, t0)
}

var engineStoppedWhileLowering = &Rule{
	Name:  "engine-stopped-while-lowering",
	Title: "whether the engine kept running while the body came down",
	Doc: `The engine ran when the first corner began to close, and stood for 2 s or more before the
body had come to rest. Held where it ran until then. An engine that did not run when the lowering
began is no matter of this rule.`,
	Source:   "common practice, no source",
	Severity: Warning,
	Scope:    PerVehicle,
	Takes:    []decode.Quantity{decode.EngineSpeed},
	Watch:    func(p *Pass) Watcher { return &engineStopWatch{p: p} },
}

const engineStopLong = 2 * time.Second

type engineStopWatch struct {
	p        *Pass
	last     Reading
	any      bool
	active   bool
	from     capture.Stamp
	first    *Closing // of the descent
	stopped  Reading
	still    bool // stopped now
	faltered bool // stood for less than engineStopLong
	done     bool
}

func (w *engineStopWatch) Sample(r Reading) {
	w.last, w.any = r, true
	if !w.active || w.done {
		return
	}
	if r.Value >= w.p.Limit(LimitEngineSpeed).Value {
		w.still = false
		return
	}
	if !w.still {
		w.still, w.faltered, w.stopped = true, true, r
	}
	if r.At.Sub(w.stopped.At) >= engineStopLong {
		w.done = true
		w.p.Report(Verdict{Outcome: Broken, Start: w.stopped.At, End: r.At, Class: Seen,
			Summary: "the engine stopped while the body came down", Evidence: []Evidence{w.stopped.evidence()}, Rests: w.rests(r.At)})
	}
}

// rests names the engine's speed, and the height just before the first corner began to close: where
// that was not seen the descent may have begun earlier.
func (w *engineStopWatch) rests(to capture.Stamp) []Rest {
	return []Rest{{Quantity: decode.EngineSpeed, From: w.from, To: to},
		{Corner: w.first.Corner, Quantity: decode.Height, From: w.first.T0.Add(-stillFor), To: w.first.T0}}
}

// ended is the verdict where the engine did not stop for long before the body had come to rest.
func (w *engineStopWatch) ended(at capture.Stamp) Verdict {
	v := Verdict{Outcome: Held, Start: w.from, End: at, Class: Seen, Rests: w.rests(at), Evidence: []Evidence{w.last.evidence()},
		Summary: "the engine ran until the body had come to rest"}
	if w.faltered {
		v.Outcome, v.Reason, v.Note = CannotTell, InsideUncertainty, "the engine stood for less than 2 s while the body came down"
		v.Evidence = []Evidence{w.stopped.evidence()}
	}
	return v
}

func (w *engineStopWatch) Happen(h Happening) {
	switch h.Kind {
	case DescentBegan:
		if w.any && w.last.Value >= w.p.Limit(LimitEngineSpeed).Value {
			w.first = h.Closing
			w.active, w.from, w.still, w.faltered, w.done = true, h.Start, false, false, false
		}
	case DescentEnded:
		if w.active && !w.done && h.To == Standing {
			w.p.Report(w.ended(h.At))
		}
		w.active = false
	}
}

func (w *engineStopWatch) Finish(at capture.Stamp) {
	if w.active && !w.done {
		w.p.Report(Verdict{Start: w.from, End: at, Reason: Gap, Note: "the recording ends before the body had come to rest"})
	}
}
