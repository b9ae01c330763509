package safety

import (
	"fmt"
	"slices"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/uds"
)

var requestRefused = &Rule{
	Name:  "request-refused",
	Title: "whether the control unit did what the tester asked",
	Doc: `The tester asked for a bleed or a fill of this corner and was refused ('response pending' is
no refusal), or got no answer where one was due, and the work went on: a line was closed, the body
came down, or the tester asked for another corner. A request that is repeated and granted before that
counts as granted. Suppressed and functional requests are legally silent. Where frames were lost
around the answer, nothing can be told.`,
	Source:   "ISO 14229-1 (negative responses); that the work went on: common practice, no source",
	Severity: Warning,
	Scope:    PerCorner,
	Watch:    func(p *Pass) Watcher { return &refusedWatch{p: p} },
}

type refusedWatch struct {
	deaf
	p       *Pass
	open    *Request // refused, and nothing granted since
	granted *Request
	unknown *Request
}

func (w *refusedWatch) Happen(h Happening) {
	switch h.Kind {
	case RequestMade:
		w.asked(h.Request)
	case MarkSet:
		if h.Mark.Name == MarkLineClosed && w.p.meant(h.Mark) {
			w.goesOn(h.At, h.Mark.evidence())
		}
	case DescentBegan:
		w.goesOn(h.Start)
	}
}

func (w *refusedWatch) asked(r *Request) {
	if !slices.Contains(r.Corners, w.p.Corner) {
		w.goesOn(r.Asked, r.Evidence...)
		return
	}
	switch {
	case r.Refused():
		w.open = r
	case r.Accepted():
		w.granted = r
		if w.open != nil && w.open.Stage == r.Stage && w.open.Stop == r.Stop {
			w.open = nil
		}
	default:
		w.unknown = r
	}
}

// goesOn reports a refusal that did not stop the work.
func (w *refusedWatch) goesOn(at capture.Stamp, evidence ...Evidence) {
	r := w.open
	if r == nil {
		return
	}
	w.open = nil
	what := r.Stage
	if r.Stop {
		what = "the end of the " + r.Stage
	}
	w.p.Report(Verdict{Outcome: Broken, Start: r.Asked, End: at, Class: Seen,
		Summary:  fmt.Sprintf("%s of %s was asked at %s, %s; the work went on", what, w.p.Corner, w.p.vehicle.clock(r.Asked), r.words()),
		Evidence: append(slices.Clone(r.Evidence), evidence...)})
}

func (w *refusedWatch) Finish(at capture.Stamp) {
	switch {
	case w.unknown != nil:
		w.p.Report(Verdict{Start: w.unknown.Asked, End: w.unknown.Decided, Reason: Gap,
			Note: fmt.Sprintf("the answer to the %s asked at %s was not recorded", w.unknown.Stage, w.p.vehicle.clock(w.unknown.Asked)), Evidence: w.unknown.Evidence})
	case w.open != nil:
		w.p.Report(Verdict{Start: w.open.Asked, End: at, Reason: NotObservable,
			Note:     fmt.Sprintf("the %s asked at %s was %s, and nothing shows whether the work went on", w.open.Stage, w.p.vehicle.clock(w.open.Asked), w.open.words()),
			Evidence: w.open.Evidence})
	case w.granted != nil:
		w.p.Report(Verdict{Outcome: Held, Start: w.granted.Asked, End: at, Class: Seen,
			Summary: fmt.Sprintf("%s: the control unit did what the tester asked", w.p.Corner), Evidence: w.granted.Evidence})
	}
}

var serviceModeLost = &Rule{
	Name:  "service-mode-lost",
	Title: "whether the tester kept the control unit in service mode",
	Doc: `Inside a bleed or a fill the tester fell silent for more than 5 s (S3 server), or the control
unit was seen to go back to its default session: it may then act by itself. Where frames of the talk
were lost, nothing can be told.`,
	Source:   "ISO 14229-2 (S3 server, from memory)",
	Severity: Warning,
	Scope:    PerVehicle,
	Watch:    func(p *Pass) Watcher { return &serviceWatch{p: p} },
}

type serviceWatch struct {
	deaf
	p   *Pass
	ran bool
}

// running returns the run on a pair that was going on at that time, nil for none.
func (w *serviceWatch) running(a decode.Address, at capture.Stamp) *Run {
	for _, r := range slices.Backward(w.p.vehicle.requests.runs) {
		if r.Address == a && r.Start <= at && (r.End == 0 || at < r.End) {
			return r
		}
	}
	return nil
}

func (w *serviceWatch) Happen(h Happening) {
	switch h.Kind {
	case RequestMade:
		w.ran = w.ran || h.Request.Accepted()
	case TesterSilent:
		w.silent(h.Address, h.Start, h.At)
	case SessionChanged:
		if r := w.running(h.Address, h.At); r != nil && h.Session.ID == uds.DefaultSession {
			w.lost(r, h.At, h.At, "the control unit went back to its default session")
		}
	}
}

func (w *serviceWatch) silent(a decode.Address, from, to capture.Stamp) {
	if d := to.Sub(from); d > uds.S3 {
		if r := w.running(a, from); r != nil {
			w.lost(r, from, to, fmt.Sprintf("the tester was silent for %.0f s", d.Seconds()))
		}
	}
}

func (w *serviceWatch) lost(r *Run, from, to capture.Stamp, what string) {
	v := Verdict{Start: from, End: to, Class: Seen, Evidence: r.Evidence}
	if lost := w.p.vehicle.requests.lostAt; lost >= from && lost <= to {
		v.Reason, v.Note = Gap, what+", but frames of the talk were lost there"
	} else {
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("%s inside the %s of %s", what, r.Stage, list(r.Corners))
	}
	w.p.Report(v)
}

func (w *serviceWatch) Finish(at capture.Stamp) {
	for a, last := range w.p.vehicle.requests.heard {
		w.silent(a, last, at)
	}
	if w.ran && len(w.p.verdicts) == 0 {
		w.p.Report(Verdict{Outcome: Held, Start: w.p.vehicle.start, End: at, Class: Seen,
			Summary: "the tester was heard throughout every bleed and fill"})
	}
}

var movedUnasked = &Rule{
	Name:  "moved-unasked",
	Title: "whether air moved that nobody asked for",
	Doc: `With its line open, or hanging below its least pressure, the corner's pressure moved for 3 s
or more with no request for it within 5 s: the control unit acts by itself. A drift after a bleed or a
fill of up to 30 % of its last step, within the settling time, is the gas taking the wall's
temperature. What the hands let out when they open the line is no matter of this rule.`,
	Source:   "common practice, no source; the settling: computed",
	Severity: Danger,
	Scope:    PerCorner,
	Takes:    []decode.Quantity{decode.Pressure},
	Watch:    func(p *Pass) Watcher { return &unaskedWatch{p: p} },
}

const (
	unaskedLong   = 3 * time.Second
	unaskedWithin = 5 * time.Second
	unaskedShare  = 0.3
)

type unaskedWatch struct {
	p     *Pass
	time  bool // a line was open, or it hung below least
	opens []capture.Stamp
	last  Step
	any   bool
}

func (w *unaskedWatch) Sample(r Reading) {
	v := w.p.vehicle
	if w.exposed() || v.phase == Hanging && r.Value+2*r.sensor.u < v.least(w.p.Corner).Value {
		w.time = true
	}
}

func (w *unaskedWatch) exposed() bool { return w.p.corner().lineOpen != nil }

func (w *unaskedWatch) Happen(h Happening) {
	switch h.Kind {
	case MarkSet:
		if h.Mark.Name == MarkLineOpen && w.p.meant(h.Mark) {
			w.time = true
			w.opens = append(w.opens[max(0, len(w.opens)-15):], h.At)
		}
	case AirStep:
		if w.p.mine(h) {
			w.moved(h.Move.Steps[len(h.Move.Steps)-1], h.Move)
		}
	}
}

func (w *unaskedWatch) moved(s Step, m *AirMove) {
	settling := w.any && s.From.At.Sub(w.last.To.At).Seconds() <= w.p.corner().settle(w.p.Limit(LimitSettle)) &&
		abs(s.To.Value-s.From.Value) <= unaskedShare*abs(w.last.To.Value-w.last.From.Value)
	w.last, w.any = s, true
	v := w.p.vehicle
	low := v.phase == Hanging && min(s.From.Value, s.To.Value)+2*s.From.sensor.u < v.least(w.p.Corner).Value
	if settling || s.To.At.Sub(s.From.At) < unaskedLong || abs(s.To.Value-s.From.Value) < airMoveLeast || !w.exposed() && !(low && w.hungLow(s)) {
		return
	}
	opened := slices.ContainsFunc(w.opens, func(at capture.Stamp) bool {
		return s.From.At.Sub(at) >= -unaskedWithin && s.From.At.Sub(at) <= unaskedWithin
	})
	if opened || v.requests.askedAround(w.p.Corner, s.From.At, s.To.At, unaskedWithin) {
		return
	}
	if readable, _ := v.readable(w.p.Corner, ""); !readable {
		return // Finish says that nothing can be told
	}
	does := "fell"
	if s.To.Value > s.From.Value {
		does = "rose"
	}
	w.p.Report(Verdict{Outcome: Broken, Start: s.From.At, End: s.To.At, Class: Seen,
		Summary:  fmt.Sprintf("%s: its pressure %s from %s to %s, and nobody asked", w.p.Corner, does, bar(s.From.Value), bar(s.To.Value)),
		Evidence: []Evidence{s.From.evidence(), s.To.evidence()},
		Rests:    []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: s.From.At, To: s.To.At}}})
}

// hungLow reports whether a step began from a corner that hung below its least: a rise out of it.
// A fall into it began above.
func (w *unaskedWatch) hungLow(s Step) bool {
	return s.From.Value+2*s.From.sensor.u < w.p.vehicle.least(w.p.Corner).Value
}

func (w *unaskedWatch) Finish(at capture.Stamp) {
	if !w.time || len(w.p.verdicts) > 0 {
		return
	}
	v := Verdict{Start: w.p.vehicle.start, End: at, Class: Seen}
	readable, named := w.p.vehicle.readable(w.p.Corner, "")
	switch {
	case !readable && named:
		v.Reason, v.Note = NotObservable, "none of the requests on the job card was heard"
	case !readable:
		v.Reason, v.Note = NotObservable, "the job card names no requests, so nobody can tell what was asked for"
	default:
		v.Outcome = Held
		v.Summary = fmt.Sprintf("%s: its air moved only when it was asked for", w.p.Corner)
		v.Rests = []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: w.p.vehicle.start, To: at},
			{Corner: w.p.Corner, Quantity: decode.Height, From: w.p.vehicle.start, To: at}} // air is seen to move beside a height only
	}
	w.p.Report(v)
}
