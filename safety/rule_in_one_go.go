package safety

import (
	"fmt"

	"ridewitness/decode"
)

var bledInOneGo = &Rule{
	Name:  "bled-in-one-go",
	Title: "in how many steps it was bled",
	Doc: `The pressure fell by 1 bar or more in a single step. Held where the bleed had two steps or
more, less than 2 s apart counting as one. A bleed of less than 1 bar tells nothing, nor does one of which a
step may have been missed.`,
	Source:   "common practice, no source",
	Severity: Advice,
	Scope:    PerCorner,
	Takes:    []decode.Quantity{decode.Pressure},
	Watch:    func(p *Pass) Watcher { return &stepWatch{p: p, did: "bled"} },
}

var filledInOneGo = &Rule{
	Name:  "filled-in-one-go",
	Title: "in how many steps it was filled",
	Doc: `The pressure rose by 1 bar or more in a single step. Held where the fill had two steps or
more, less than 2 s apart counting as one. A fill of less than 1 bar tells nothing, nor does one of which a
step may have been missed.`,
	Source:   "common practice, no source",
	Severity: Advice,
	Scope:    PerCorner,
	Takes:    []decode.Quantity{decode.Pressure},
	Watch:    func(p *Pass) Watcher { return &stepWatch{p: p, fill: true, did: "filled"} },
}

const oneGo = 1.0 // bar; common practice, no source

type stepWatch struct {
	deaf
	p    *Pass
	fill bool
	did  string
}

func (w *stepWatch) Happen(h Happening) {
	if h.Kind != AirMoveEnded || !w.p.mine(h) || h.Move.Fill != w.fill || h.Move.Change() < airMoveLeast {
		return
	}
	m := h.Move
	v := Verdict{Start: m.Start(), End: m.End(), Class: Seen,
		Evidence: []Evidence{m.Steps[0].From.evidence(), m.Steps[len(m.Steps)-1].To.evidence()},
		Rests:    []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: m.Start(), To: m.End()}}}
	switch {
	case m.Change() < oneGo:
		v.Reason, v.Note = NotObservable, fmt.Sprintf("it was %s by %.2f bar only", w.did, m.Change())
	case m.Gap != "":
		v.Reason, v.Note = m.Gap, "a step of it may have been missed"
	case len(m.Steps) > 1:
		v.Outcome = Held
		v.Summary = fmt.Sprintf("%s was %s in %d steps", w.p.Corner, w.did, len(m.Steps))
	default:
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("%s was %s by %.2f bar in one step", w.p.Corner, w.did, m.Change())
	}
	w.p.Report(v)
}
