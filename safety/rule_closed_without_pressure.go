package safety

import (
	"fmt"

	"ridewitness/capture"
	"ridewitness/decode"
)

var closedWithoutPressure = &Rule{
	Name:  "closed-without-pressure",
	Title: "what was in the spring when the corner alone was closed",
	Doc: `One corner closed alone, or under the mark 'jack', at a pressure below its least: a jack
under the arm, or a hand. No alarm: the body does not come down. Held where the pressure before it
lies above the least by its uncertainty and its step.`,
	Source:   "common practice, no source",
	Severity: Advice,
	Scope:    PerCorner,
	Takes:    []decode.Quantity{decode.Pressure},
	Limits:   []LimitName{LimitLeast},
	Watch:    func(p *Pass) Watcher { return &closedWatch{p: p} },
}

type closedWatch struct {
	deaf
	p    *Pass
	open *Closing
}

func (w *closedWatch) Happen(h Happening) {
	switch h.Kind {
	case CornerClosing:
		if w.p.mine(h) {
			w.open = h.Closing
		}
	case CornerReturn:
		if w.open == h.Closing {
			w.judge(h.At)
		}
	case DescentJoined, DescentBegan:
		if w.open == h.Closing {
			w.open = nil
		}
	case PhaseChanged:
		if w.open != nil {
			w.judge(h.At)
		}
	}
}

func (w *closedWatch) Finish(at capture.Stamp) {
	if w.open != nil {
		w.judge(at)
	}
}

func (w *closedWatch) judge(at capture.Stamp) {
	cl := w.open
	w.open = nil
	if cl.Descent != nil || cl.Phase == Standing || cl.Level-cl.Least.Value < closedBy/2 {
		return // swayed, or part of a descent
	}
	p0, least := cl.P0, w.p.Limit(LimitLeast)
	v := Verdict{Start: cl.T0, End: at, Class: Seen, Evidence: cl.evidence(),
		Rests: []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: p0.Reading.At, To: cl.T0}}}
	switch {
	case !p0.Known || !p0.Fresh:
		v.Reason, v.Note = Stale, "its pressure was not fresh when it began to close"
	case p0.Reading.Value+2*p0.Reading.sensor.u < least.Value:
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("%s alone was closed by %s at %s, least %s", w.p.Corner, mm(cl.Level-cl.Least.Value), bar(p0.Reading.Value), bar(least.Value))
	case cl.Phase != Hanging:
		v.Reason, v.Note = NotObservable, "nobody can tell whether it hung or stood before"
	case p0.Reading.Value-p0.Warm-2*p0.Reading.sensor.u-p0.Reading.sensor.q >= least.Value:
		v.Outcome = Held
		v.Summary = fmt.Sprintf("%s alone was closed with %s in it", w.p.Corner, bar(p0.Reading.Value))
	default:
		v.Reason = InsideUncertainty
	}
	w.p.Report(v)
}
