package safety

import (
	"fmt"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
)

var lineOpenedUnderPressure = &Rule{
	Name:  "line-opened-under-pressure",
	Title: "what was behind the line when it was opened",
	Doc: `The highest pressure from 5 s before the mark 'line open' to 1 s after it lay above what is
left after a bleed (0.2 bar) by its uncertainty; where none came in that time, the last one up to a
minute old lay above it. Held at or below it; within 30 s of a bleed's end
0.15 bar more is allowed, since the gas warms up again. Hands are late: the span is wide.`,
	Source:   "common practice, no source",
	Severity: Danger,
	Scope:    PerCorner,
	Asked:    AskedByMark,
	Takes:    []decode.Quantity{decode.Pressure},
	Watch:    func(p *Pass) Watcher { return &lineWatch{p: p} },
}

const (
	lineBefore  = 5 * time.Second
	lineAfter   = time.Second
	lineWarm    = 0.15 // bar; PHYSICS of a bleed: 0.08 to 0.21 at the last step (computed)
	lineWarmFor = 30 * time.Second
)

type lineWatch struct {
	p    *Pass
	mark *Mark
	top  point
	any  bool
	warm bool
}

func (w *lineWatch) Happen(h Happening) {
	switch h.Kind {
	case MarkSet:
		if h.Mark.Name == MarkLineOpen && w.p.meant(h.Mark) {
			w.opened(h.Mark)
		}
	case MarkTaken:
		if w.mark == h.Mark {
			w.mark = nil
		}
	}
}

func (w *lineWatch) opened(m *Mark) {
	w.judge(m.At)
	w.p.Marked(m)
	w.mark, w.any = m, false
	c := w.p.corner()
	if c.pressure == nil {
		return
	}
	end := c.air.bleedEnd
	w.warm = end != 0 && m.At.Sub(end) <= lineWarmFor
	if _, greatest, _, n, _ := c.pressure.recent.over(m.At.Add(-lineBefore), 0); n > 0 {
		w.top, w.any = *greatest, true
	} else if last := c.pressure.last; w.silentWith(c, m.At) && last.Value > w.residual()+2*c.pressure.u {
		// The bus is silent once the ignition is off, as it should be by now. Pressure does not go by itself.
		w.top, w.any = point{last.At, last.Value, last}, true
	}
	w.alarm()
}

func (w *lineWatch) Sample(r Reading) {
	if w.mark == nil {
		return
	}
	if r.At.Sub(w.mark.At) > lineAfter {
		w.judge(r.At)
		return
	}
	if !w.any || r.Value > w.top.v {
		w.top, w.any = point{r.At, r.Value, r}, true
	}
	w.alarm()
}

// silentWith reports whether the bus fell silent with the ignition off on a pressure that did not move.
func (w *lineWatch) silentWith(c *corner, at capture.Stamp) bool {
	return w.p.vehicle.silent(at) && c.pressure.seen && !c.air.active && at.Sub(c.pressure.last.At) <= p0Oldest
}

func (w *lineWatch) residual() float64 { return w.p.Limit(LimitResidual).Value }

// alarm reports at once what is plainly under pressure.
func (w *lineWatch) alarm() {
	if w.mark == nil || !w.any || w.top.v <= w.residual()+2*w.top.r.sensor.u {
		return
	}
	v := w.verdict(w.mark.At)
	v.Outcome = Broken
	v.Summary = fmt.Sprintf("%s: its line was opened with %s behind it; stored air injures", w.p.Corner, bar(w.top.v))
	w.mark = nil
	w.p.Report(v)
}

func (w *lineWatch) verdict(at capture.Stamp) Verdict {
	v := Verdict{Start: w.mark.At, End: at, Class: Seen, Evidence: []Evidence{w.mark.evidence()},
		Rests: []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: w.mark.At.Add(-lineBefore), To: w.mark.At.Add(lineAfter)}}}
	if w.any {
		v.Evidence = append(v.Evidence, w.top.r.evidence())
	}
	return v
}

// judge ends the span around the mark.
func (w *lineWatch) judge(at capture.Stamp) {
	if w.mark == nil {
		return
	}
	v := w.verdict(at)
	allowed := w.residual()
	if w.warm {
		allowed += lineWarm
	}
	switch {
	case !w.any:
		v.Reason = w.unseen()
	case w.top.v <= allowed:
		v.Outcome = Held
		v.Summary = fmt.Sprintf("%s: its line was opened with %s behind it, which is what a bleed leaves", w.p.Corner, bar(w.top.v))
	default:
		v.Reason, v.Note = InsideUncertainty, fmt.Sprintf("%s lies within its uncertainty of the %g bar that a bleed leaves", bar(w.top.v), w.residual())
	}
	w.mark = nil
	w.p.Report(v)
}

func (w *lineWatch) unseen() Reason {
	v := w.p.vehicle
	if why := v.whole(w.p.corner().pressure, w.mark.At.Add(-lineBefore), w.mark.At.Add(lineAfter)); why != "" {
		return why
	}
	return Stale
}

func (w *lineWatch) Finish(at capture.Stamp) { w.judge(at) }
