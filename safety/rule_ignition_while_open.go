package safety

import (
	"fmt"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
)

var ignitionWhileOpen = &Rule{
	Name:  "ignition-while-open",
	Title: "whether the ignition was off while a line was open",
	Doc: `The ignition was on for 1 s or more between 2 s after the first mark 'line open' and the last
mark 'line closed' (or the end). With the ignition on a control unit may move valves by itself. Held
where it was seen off throughout. Where the bus fell asleep after it was seen off, nothing is told
and nothing is asked.`,
	Source:   "common practice, no source",
	Severity: Warning,
	Scope:    PerVehicle,
	Asked:    AskedByMark,
	Takes:    []decode.Quantity{decode.Ignition},
	Watch:    func(p *Pass) Watcher { return &ignitionWatch{p: p} },
}

const (
	ignitionAfter = 2 * time.Second
	ignitionLong  = time.Second
)

type ignitionWatch struct {
	deaf
	p          *Pass
	first      *Mark
	lastClosed *Mark
	on         capture.Stamp // since when it is on without a break
	onReading  Reading
	longest    time.Duration // counted: before the last mark 'line closed'
	pending    time.Duration // after it: counts only if another one follows, or none ever came
	longestAt  Reading
	pendingAt  Reading
}

func (w *ignitionWatch) Happen(h Happening) {
	if h.Kind != MarkSet {
		return
	}
	switch h.Mark.Name {
	case MarkLineOpen:
		if w.first == nil {
			w.first = h.Mark
			w.p.Marked()
			w.on = 0
		}
	case MarkLineClosed:
		if w.first != nil {
			w.settle(h.At)
			w.lastClosed = h.Mark
		}
	}
}

// settle counts what was pending, since the lines were still open then.
func (w *ignitionWatch) settle(at capture.Stamp) {
	w.stretch(at)
	if w.pending > w.longest {
		w.longest, w.longestAt = w.pending, w.pendingAt
	}
	w.pending = 0
}

func (w *ignitionWatch) Sample(r Reading) {
	if w.first == nil || r.At.Sub(w.first.At) < ignitionAfter {
		return
	}
	switch r.State() {
	case "on":
		if w.on == 0 {
			w.on, w.onReading = r.At, r
		}
		w.stretch(r.At)
	default:
		w.on = 0
	}
}

// stretch notes how long the ignition has been on.
func (w *ignitionWatch) stretch(at capture.Stamp) {
	if w.on == 0 {
		return
	}
	if d := at.Sub(w.on); d > w.pending {
		w.pending, w.pendingAt = d, w.onReading
	}
}

func (w *ignitionWatch) Finish(at capture.Stamp) {
	if w.first == nil {
		return
	}
	end := at
	if w.lastClosed == nil {
		w.settle(at)
	} else {
		end = w.lastClosed.At
	}
	from := w.first.At.Add(ignitionAfter)
	v := Verdict{Start: w.first.At, End: end, Class: Seen, Evidence: []Evidence{w.first.evidence()},
		Rests: []Rest{{Quantity: decode.Ignition, From: from, To: end}}}
	s := w.p.vehicle.sensors[decode.Ignition]
	switch {
	case w.longest >= ignitionLong:
		v.Outcome = Broken
		v.Evidence = append(v.Evidence, w.longestAt.evidence())
		v.Summary = fmt.Sprintf("the ignition was on for %.0f s while a line was open", w.longest.Seconds())
	case s == nil || s.heard == 0:
		v.Reason = NoSignal
	case s.seen && s.last.At < end && s.last.State() == "off" && s.whole(from, s.last.At, at) == "":
		v.Reason, v.Note = BusAsleep, "the bus fell silent after the ignition was seen off"
		w.p.marked = false
	default:
		v.Outcome = Held
		v.Summary = "the ignition was off while the lines were open"
	}
	w.p.Report(v)
}
