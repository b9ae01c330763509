package safety

import (
	"fmt"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
)

var overPressure = &Rule{
	Name:  "over-pressure",
	Title: "whether its pressure kept below the spring's greatest",
	Doc: `The pressure lay above the greatest pressure of the spring by its uncertainty for 1 s and two
samples or more. A value above 1.5 times the greatest is no pressure of a spring but a wrong unit:
then nothing can be told. Without a greatest pressure on the card nothing is asked. Held where the signal was valid throughout and never above it.`,
	Source:   "the spring's greatest pressure on the job card; durations are our own choice",
	Severity: Danger,
	Scope:    PerCorner,
	Asked:    AskedAlways,
	Takes:    []decode.Quantity{decode.Pressure},
	Limits:   []LimitName{LimitGreatest},
	Watch:    func(p *Pass) Watcher { return &overWatch{p: p} },
}

const overLong = time.Second

type overWatch struct {
	deaf
	p        *Pass
	top      Reading
	any      bool
	from     Reading
	n        int
	reported bool
}

func (w *overWatch) Sample(r Reading) {
	if !w.any || r.Value > w.top.Value {
		w.top, w.any = r, true
	}
	g := w.p.Limit(LimitGreatest)
	if !g.Known || r.Value-2*r.sensor.u <= g.Value {
		w.n, w.reported = 0, false
		return
	}
	if w.n == 0 {
		w.from = r
	}
	w.n++
	if w.n >= 2 && r.At.Sub(w.from.At) >= overLong && !w.reported {
		w.reported = true
		w.p.Report(Verdict{Outcome: Broken, Start: w.from.At, End: r.At, Class: Seen,
			Summary:  fmt.Sprintf("%s had %s in it, greatest %s", w.p.Corner, bar(w.top.Value), bar(g.Value)),
			Evidence: []Evidence{w.from.evidence(), w.top.evidence()}, Rests: w.rests(w.from.At, r.At)})
	}
}

func (w *overWatch) rests(from, to capture.Stamp) []Rest {
	return []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: from, To: to}}
}

func (w *overWatch) Finish(at capture.Stamp) {
	v := w.p.vehicle
	verdict := Verdict{Start: v.start, End: at, Class: Seen, Rests: w.rests(v.start, at)}
	g := w.p.Limit(LimitGreatest)
	if !g.Known && !w.p.wanted() {
		return
	}
	switch {
	case !w.any:
		verdict.Reason = NoSignal
		if s := w.p.corner().pressure; s != nil && s.heard != 0 {
			verdict.Reason = Invalid
		}
	case g.Known && w.top.Value > g.Value && len(w.p.verdicts) == 0:
		verdict.Reason = InsideUncertainty
		verdict.Evidence = []Evidence{w.top.evidence()}
	default:
		verdict.Outcome = Held
		verdict.Summary = fmt.Sprintf("%s never had more than %s in it", w.p.Corner, bar(w.top.Value))
		verdict.Evidence = []Evidence{w.top.evidence()}
	}
	w.p.Report(verdict)
}
