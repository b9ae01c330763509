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

// ignitionWatch keeps every stretch in which the ignition was seen on, since only at the end is it
// known which marks were taken back.
type ignitionWatch struct {
	p      *Pass
	on     []onStretch
	isOn   bool
	missed bool // more stretches came than are kept
}

// onStretch lies between the first and the last sample that say on.
type onStretch struct {
	first Reading
	to    capture.Stamp
}

func (w *ignitionWatch) Happen(h Happening) {
	if h.Kind == MarkSet && h.Mark.Name == MarkLineOpen {
		w.p.Marked(h.Mark)
	}
}

func (w *ignitionWatch) Sample(r Reading) {
	was := w.isOn
	w.isOn = r.State() == "on"
	if !w.isOn {
		return
	}
	if last := len(w.on) - 1; was && r.At.Sub(w.on[last].to) <= r.sensor.rhythm.Limit() {
		w.on[last].to = r.At
		return
	}
	if len(w.on) == maxSpans {
		w.missed, w.isOn = true, false
		return
	}
	w.on = append(w.on, onStretch{first: r, to: r.At})
}

// longest returns the longest stretch within the span, and whether there was one at all.
func (w *ignitionWatch) longest(from, to capture.Stamp) (best onStretch, any bool) {
	for _, s := range w.on {
		if s.to < from || s.first.At > to {
			continue
		}
		first := s.first
		first.At, s.to = max(first.At, from), min(s.to, to)
		s.first = first
		if !any || s.to-s.first.At > best.to-best.first.At {
			best, any = s, true
		}
	}
	return best, any
}

// open returns the first mark of an open line, and when the last line was closed: the end of the
// recording where one still is open.
func (w *ignitionWatch) open(end capture.Stamp) (first *Mark, to capture.Stamp) {
	to = end
	for _, m := range w.p.vehicle.marks.all {
		switch {
		case m.taken:
		case m.Name == MarkLineOpen:
			to = end
			if first == nil {
				first = m
			}
		case m.Name == MarkLineClosed && first != nil:
			to = m.At
		}
	}
	return first, to
}

func (w *ignitionWatch) Finish(at capture.Stamp) {
	first, end := w.open(at)
	if first == nil {
		return
	}
	from := first.At.Add(ignitionAfter)
	v := Verdict{Start: first.At, End: end, Class: Seen, Evidence: []Evidence{first.evidence()},
		Rests: []Rest{{Quantity: decode.Ignition, From: from, To: end}}}
	s := w.p.vehicle.sensors[decode.Ignition]
	longest, any := w.longest(from, end)
	d := longest.to.Sub(longest.first.At)
	switch {
	case any && d >= ignitionLong:
		v.Outcome = Broken
		v.Evidence = append(v.Evidence, longest.first.evidence())
		v.Summary = fmt.Sprintf("the ignition was on for %.0f s while a line was open", d.Seconds())
	case s == nil || s.heard == 0:
		v.Reason = NoSignal
	case any || w.missed:
		v.Reason, v.Note = InsideUncertainty, "the ignition was seen on, for less than a second as far as it was seen"
		if why := w.p.vehicle.whole(s, from, end); why != "" {
			v.Reason = why
		}
	default:
		v.Outcome = Held
		v.Summary = "the ignition was off while the lines were open"
	}
	w.p.Report(v)
}
