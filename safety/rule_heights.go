package safety

import (
	"fmt"
	"math"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
)

var heightNotRestored = &Rule{
	Name:  "height-not-restored",
	Title: "whether its height came back",
	Doc: `After the mark 'lowered', or by a tape reading after the last descent, the height lies off
the series height (else the one before) by more than the tolerance and its uncertainty. A tape
reading after the descent beats the network. Nothing is told where no tape reading ties the
network's height, or where the ties contradict each other.`,
	Source:   "common practice, no source",
	Severity: Warning,
	Scope:    PerCorner,
	Asked:    AskedByMark,
	Takes:    []decode.Quantity{decode.Height},
	Watch:    func(p *Pass) Watcher { return &restoredWatch{p: p, final: final{p: p}} },
}

// final follows the height in which the body ends up, for one corner or for an axle.
type final struct {
	p       *Pass
	lowered bool
	tape    [5]*Mark // after the last descent
}

func (f *final) happen(h Happening) {
	switch h.Kind {
	case MarkSet:
		switch h.Mark.Name {
		case MarkLowered:
			f.lowered = true
			if f.p.vehicle.descents == 0 {
				f.tape = [5]*Mark{} // measured before it came down, as far as anybody knows
			}
		case MarkTape:
			f.tape[h.Mark.Corner] = h.Mark
		}
	case MarkTaken:
		f.lowered = f.p.vehicle.lowered != nil
		if f.tape[h.Mark.Corner] == h.Mark {
			f.tape[h.Mark.Corner] = nil
		}
	case PhaseChanged:
		if h.To != Standing {
			f.tape = [5]*Mark{}
		}
	case DescentBegan:
		f.tape = [5]*Mark{}
	}
}

// tall is a height by tape with its standard uncertainty.
type tall struct {
	mm, u    float64
	why      Reason
	note     string
	class    Class
	evidence Evidence
	rest     *Rest
}

// of returns the final height of a corner: by tape where somebody measured after the last descent,
// else the mean of the network's last seconds tied to the tape.
func (f *final) of(id decode.Corner, at capture.Stamp) tall {
	if m := f.tape[id]; m != nil {
		return tall{mm: m.TapeMM, u: tapeU, class: Said, evidence: m.evidence()}
	}
	c := f.p.vehicle.corners[id]
	if c.height == nil || !c.height.seen {
		return tall{why: NoSignal, note: "no height signal"}
	}
	offset, why, note := c.ties.offset()
	if why != "" {
		return tall{why: why, note: note}
	}
	mean, ok := c.heightAround(at)
	if !ok {
		return tall{why: Stale, note: "its height was not fresh at the end"}
	}
	return tall{mm: mean + offset, u: math.Hypot(tapeU, c.height.u), class: Seen, evidence: c.height.last.evidence(),
		rest: &Rest{Corner: id, Quantity: decode.Height, From: c.height.last.At, To: c.height.last.At}}
}

type restoredWatch struct {
	deaf
	p *Pass
	final
}

func (w *restoredWatch) Happen(h Happening) { w.happen(h) }

func (w *restoredWatch) Finish(at capture.Stamp) {
	if !w.lowered && (w.tape[w.p.Corner] == nil || w.p.vehicle.descents == 0) {
		return
	}
	v := w.p.vehicle
	want, ok := v.series(w.p.Corner)
	if !ok {
		if v.card != nil && len(v.card.Serviced) > 0 && slices.Contains(v.card.Serviced, w.p.Corner) {
			w.p.Marked(nil)
			w.p.Report(Verdict{Start: at, End: at, Reason: NoLimit, Note: "no reference height on the job card"})
		}
		return
	}
	w.p.Marked(nil)
	h := w.of(w.p.Corner, at)
	verdict := Verdict{Start: h.evidence.At, End: at, Class: h.class, Evidence: []Evidence{h.evidence}}
	if h.rest != nil {
		verdict.Rests = []Rest{*h.rest}
	}
	tolerance := w.p.Limit(LimitHeightTolerance).Value
	off := h.mm - want
	switch {
	case h.why != "":
		verdict = Verdict{Start: at, End: at, Reason: h.why, Note: h.note}
	case abs(off)-2*h.u > tolerance:
		verdict.Outcome = Broken
		verdict.Summary = fmt.Sprintf("%s ended at %s, %s off its reference of %s", w.p.Corner, mm(h.mm), mm(abs(off)), mm(want))
	case abs(off)+2*h.u <= tolerance:
		verdict.Outcome = Held
		verdict.Summary = fmt.Sprintf("%s ended at %s, its reference is %s", w.p.Corner, mm(h.mm), mm(want))
	default:
		verdict.Reason = InsideUncertainty
		verdict.Note = fmt.Sprintf("%s off its reference lies within its uncertainty of the tolerance of %s", mm(abs(off)), mm(tolerance))
	}
	w.p.Report(verdict)
}

var sidesUneven = &Rule{
	Name:  "sides-uneven",
	Title: "whether left and right ended level",
	Doc: `The heights of left and right of an axle, by tape or tied to it, differ by more than the limit
and their uncertainty.`,
	Source:   "common practice, no source",
	Severity: Warning,
	Scope:    PerAxle,
	Asked:    AskedByMark,
	Takes:    []decode.Quantity{decode.Height},
	Watch:    func(p *Pass) Watcher { return &sidesWatch{p: p, final: final{p: p}} },
}

type sidesWatch struct {
	deaf
	p *Pass
	final
}

func (w *sidesWatch) Happen(h Happening) { w.happen(h) }

func (w *sidesWatch) Finish(at capture.Stamp) {
	cs := w.p.Axle.Corners()
	v := w.p.vehicle
	if !v.corners[cs[0]].onAir && !v.corners[cs[1]].onAir {
		return
	}
	taped := v.descents > 0 && (w.tape[cs[0]] != nil || w.tape[cs[1]] != nil)
	if !w.lowered && !taped {
		return
	}
	w.p.Marked(nil)
	l, r := w.of(cs[0], at), w.of(cs[1], at)
	for _, h := range []tall{l, r} {
		if h.why != "" {
			w.p.Report(Verdict{Start: at, End: at, Reason: h.why, Note: h.note})
			return
		}
	}
	u, limit, difference := math.Hypot(l.u, r.u), w.p.Limit(LimitSideDifference).Value, abs(l.mm-r.mm)
	verdict := Verdict{Start: min(l.evidence.At, r.evidence.At), End: at, Class: max(l.class, r.class), Evidence: []Evidence{l.evidence, r.evidence}}
	for _, h := range []tall{l, r} {
		if h.rest != nil {
			verdict.Rests = append(verdict.Rests, *h.rest)
		}
	}
	switch {
	case difference-2*u > limit:
		verdict.Outcome = Broken
		verdict.Summary = fmt.Sprintf("the %s axle ended uneven: %s left, %s right", w.p.Axle, mm(l.mm), mm(r.mm))
	case difference+2*u <= limit:
		verdict.Outcome = Held
		verdict.Summary = fmt.Sprintf("the %s axle ended with %s left and %s right", w.p.Axle, mm(l.mm), mm(r.mm))
	default:
		verdict.Reason = InsideUncertainty
	}
	w.p.Report(verdict)
}

var tightenedOffHeight = &Rule{
	Name:  "tightened-off-height",
	Title: "at what height the bolts were tightened",
	Doc: `When the mark 'bolts tightened' came the corner, tied to the tape, lay off its series height
by more than the tolerance and its uncertainty: rubber bushes tightened there are twisted for good.`,
	Source:   "common practice, no source",
	Severity: Warning,
	Scope:    PerCorner,
	Asked:    AskedByMark,
	Takes:    []decode.Quantity{decode.Height},
	Watch:    func(p *Pass) Watcher { return &tightenedWatch{p: p} },
}

type tightenedWatch struct {
	p    *Pass
	mark *Mark
}

func (w *tightenedWatch) Happen(h Happening) {
	switch {
	case h.Kind == MarkSet && h.Mark.Name == MarkTightened && w.p.meant(h.Mark):
		w.judge(h.At)
		w.p.Marked(h.Mark)
		w.mark = h.Mark
	case h.Kind == MarkTaken && h.Mark == w.mark:
		w.mark = nil
	}
}

func (w *tightenedWatch) Sample(r Reading) {
	if w.mark != nil && r.At.Sub(w.mark.At) > tieSpan {
		w.judge(r.At)
	}
}

func (w *tightenedWatch) Finish(at capture.Stamp) { w.judge(at) }

func (w *tightenedWatch) judge(at capture.Stamp) {
	m := w.mark
	w.mark = nil
	if m == nil {
		return
	}
	c := w.p.corner()
	v := Verdict{Start: m.At, End: at, Class: Seen, Evidence: []Evidence{m.evidence()},
		Rests: []Rest{{Corner: w.p.Corner, Quantity: decode.Height, From: m.At, To: m.At}}}
	want, ok := w.p.vehicle.series(w.p.Corner)
	offset, why, note := c.ties.offset()
	mean, seen := c.heightAround(m.At)
	u := math.Hypot(tapeU, defaultHU)
	tolerance := w.p.Limit(LimitHeightTolerance).Value
	if seen {
		v.Evidence = append(v.Evidence, c.height.last.evidence())
	}
	off := abs(mean + offset - want)
	switch {
	case !ok:
		v.Reason, v.Note = NoLimit, "no reference height on the job card"
	case why != "":
		v.Reason, v.Note = why, note
	case !seen:
		v.Reason = Stale
	case off > tolerance+2*u:
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("%s: its bolts were tightened at %s, %s off the reference of %s", w.p.Corner, mm(mean+offset), mm(off), mm(want))
	case off <= tolerance-2*u:
		v.Outcome = Held
		v.Summary = fmt.Sprintf("%s: its bolts were tightened at %s, the reference is %s", w.p.Corner, mm(mean+offset), mm(want))
	default:
		v.Reason = InsideUncertainty
	}
	w.p.Report(v)
}
