package safety

import (
	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety/leak"
)

var notTight = &Rule{
	Name:  "not-tight",
	Title: "whether its air stayed in",
	Doc: `In a stretch at rest after the last fill the corner lost more air than the limit: the whole
interval of the rate lies above it. Held where the whole interval lies below. Which is said for the
pressure and the height at which it was seen, and for no other: a spring that is tight while it hangs
may leak when it stands. Nothing is told without a volume or a limit on the card, before the air has
settled, or while the gas may be warming or cooling.`,
	Source:   "ISO 8778 (reference atmosphere), ideal gas; the limit is the job card's",
	Severity: Warning,
	Scope:    PerCorner,
	Limits:   []LimitName{LimitLeak},
	Watch:    func(p *Pass) Watcher { return &tightWatch{p: p} },
}

type tightWatch struct {
	deaf
	p     *Pass
	since capture.Stamp // last time that its air was moved or its line opened
}

func (w *tightWatch) Happen(h Happening) {
	switch h.Kind {
	case AirStep:
		if w.p.mine(h) {
			w.since = h.At
		}
	case MarkSet:
		if h.Mark.Name == MarkLineOpen && w.p.meant(h.Mark) {
			w.since = h.At
		}
	}
}

func (w *tightWatch) Finish(at capture.Stamp) {
	c := w.p.corner()
	if !w.p.Limit(LimitLeak).Known && !w.p.wanted() {
		return
	}
	if c.pressure == nil || c.pressure.heard == 0 {
		w.p.Report(Verdict{Start: w.p.vehicle.start, End: at, Reason: NoSignal, Note: "no pressure signal"})
		return
	}
	row := w.best()
	if row == nil {
		w.p.Report(Verdict{Start: w.p.vehicle.start, End: at, Class: WorkedOut, Reason: NotObservable,
			Note: "no stretch at rest after the last fill was long enough"})
		return
	}
	e := row.Estimate
	v := Verdict{Start: row.Start, End: row.End, Class: WorkedOut, Note: e.Note,
		Rests: []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: row.Start, To: row.End}}}
	switch e.Outcome {
	case leak.Leaking:
		v.Outcome = Broken
	case leak.Tight:
		v.Outcome = Held
	default:
		v.Reason, v.Note = InsideUncertainty, join(e.Note, string(e.Reason))
		if !w.p.Limit(LimitLeak).Known {
			v.Reason = NoLimit
		}
	}
	v.Summary = e.Sentence(w.p.Corner.String())
	if v.Outcome == CannotTell {
		v.Note = v.Summary
	}
	w.p.Report(v)
}

// best returns the row that answers: one that leaks, else the longest that tells.
func (w *tightWatch) best() *LeakRow {
	var best *LeakRow
	rows := w.p.judge.air.rows
	for i := range rows {
		r := &rows[i]
		if r.Corner != w.p.Corner || r.End <= w.since {
			continue
		}
		if best == nil || rankLeak(r) > rankLeak(best) || rankLeak(r) == rankLeak(best) && r.End-r.Start > best.End-best.Start {
			best = r
		}
	}
	return best
}

func rankLeak(r *LeakRow) int {
	return [...]int{leak.CannotTell: 0, leak.Tight: 1, leak.Leaking: 2}[r.Estimate.Outcome]
}
