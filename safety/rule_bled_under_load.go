package safety

import (
	"fmt"

	"ridewitness/capture"
	"ridewitness/decode"
)

var bledUnderLoad = &Rule{
	Name:  "bled-under-load",
	Title: "whether it was bled while it carried the body",
	Doc: `While the vehicle stood the corner sank by 10 mm or more and its pressure ended below its
least: it was bled under the body's weight. Held where a bleed was seen while the vehicle hung and
the height stayed within 5 mm.`,
	Source:   "common practice, no source",
	Severity: Warning,
	Scope:    PerCorner,
	Takes:    []decode.Quantity{decode.Pressure, decode.Height},
	Limits:   []LimitName{LimitLeast},
	Watch:    func(p *Pass) Watcher { return &bledWatch{p: p} },
}

const (
	sankBy     = 10.0 // mm; our own choice
	bledWithin = 5.0  // mm; our own choice
)

type bledWatch struct {
	p      *Pass
	top    Reading // highest height of this stretch of standing
	sunk   Reading // first height sankBy below it
	seen   bool
	broken bool
}

func (w *bledWatch) Sample(r Reading) {
	if w.p.vehicle.phase != Standing {
		return
	}
	if r.Quantity == decode.Pressure {
		w.pressure(r)
		return
	}
	if w.p.corner().still && (!w.seen || w.p.corner().rest > w.top.Value) {
		w.top, w.seen, w.sunk = r, true, Reading{}
		w.top.Value = w.p.corner().rest
	}
	if w.seen && w.sunk.sensor == nil && r.Value <= w.top.Value-sankBy {
		w.sunk = r
	}
}

func (w *bledWatch) pressure(r Reading) {
	if w.broken || w.sunk.sensor == nil || r.Value+2*r.sensor.u >= w.p.Limit(LimitLeast).Value {
		return
	}
	w.broken = true
	w.p.Report(Verdict{Outcome: Broken, Start: w.top.At, End: r.At, Class: Seen,
		Summary:  fmt.Sprintf("%s was bled while it carried the body: it sank by %s or more and ended with %s", w.p.Corner, mm(sankBy), bar(r.Value)),
		Evidence: []Evidence{w.top.evidence(), w.sunk.evidence(), r.evidence()},
		Rests: []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: r.At, To: r.At},
			{Corner: w.p.Corner, Quantity: decode.Height, From: w.sunk.At, To: w.sunk.At}}})
}

func (w *bledWatch) Happen(h Happening) {
	switch h.Kind {
	case PhaseChanged:
		w.seen, w.broken, w.sunk = false, false, Reading{}
	case AirMoveEnded:
		if w.p.mine(h) && !h.Move.Fill && h.Move.Change() >= airMoveLeast {
			w.bleed(h.Move)
		}
	}
}

func (w *bledWatch) bleed(m *AirMove) {
	v := Verdict{Start: m.Start(), End: m.End(), Class: Seen,
		Evidence: []Evidence{m.Steps[0].From.evidence(), m.Steps[len(m.Steps)-1].To.evidence()},
		Rests: []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: m.Start(), To: m.End()},
			{Corner: w.p.Corner, Quantity: decode.Height, From: m.Start(), To: m.End()}}}
	switch {
	case m.Gap != "" && m.Phase != Standing:
		v.End = max(v.End, m.Until)
		v.Reason, v.Note = m.Gap, "a part of the bleed may lie where its pressure or its height was not seen"
	case m.Phase == Hanging && m.Height <= bledWithin:
		v.Outcome = Held
		v.Summary = fmt.Sprintf("%s was bled while it hung, and its height stayed", w.p.Corner)
	case m.Phase == PhaseUnknown:
		v.Reason, v.Note = NotObservable, "nobody can tell whether the vehicle stood or hung when it was bled"
	default:
		return
	}
	w.p.Report(v)
}

func (w *bledWatch) Finish(capture.Stamp) {}
