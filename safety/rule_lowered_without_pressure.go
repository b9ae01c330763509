package safety

import (
	"cmp"
	"fmt"

	"ridewitness/capture"
	"ridewitness/decode"
)

var loweredWithoutPressure = &Rule{
	Name:  "lowered-without-pressure",
	Title: "what was in the spring when the body came down on it",
	Doc: `Several corners close together from hanging, and this corner's last pressure before it began
to close was below its least. What the pressure does while the bellows is crushed counts for
nothing: a closed empty one fills itself. Held only where the closing was seen to its end, from a
body that was known to hang, on a pressure that was fresh and lies above the card's least pressure
by its uncertainty and its step. Not told where the pressure is stale, the closing lies in a gap,
the height was not seen, or the value lies between.`,
	Source:   "common practice, no source; the crush by p V^n = const (textbook)",
	Severity: Danger,
	Scope:    PerCorner,
	Asked:    AskedAlways,
	Takes:    []decode.Quantity{decode.Pressure, decode.Height},
	Limits:   []LimitName{LimitLeast},
	Watch:    func(p *Pass) Watcher { return &loweredWatch{p: p} },
}

type loweredWatch struct {
	p       *Pass
	pending *Closing
	said    *Descent // the descent in which it was found broken
}

func (w *loweredWatch) Happen(h Happening) {
	switch h.Kind {
	case DescentBegan, DescentJoined:
		if w.p.mine(h) {
			w.begin(h.Closing)
		}
	case DescentEnded:
		if w.pending != nil && h.Closing.Descent == w.pending.Descent {
			w.end(h)
		}
	case CornerReturn:
		switch {
		case w.pending != h.Closing:
		case h.Closing.Level-h.Closing.Least.Value < closedBy:
			w.pending = nil
		default:
			w.end(h)
		}
	}
}

// begin judges what can be judged at once: a pressure below least is broken the moment the corner
// joins a descent. Everything else waits for the end of it.
func (w *loweredWatch) begin(cl *Closing) {
	if w.said == cl.Descent || w.broken(cl) {
		return
	}
	w.pending = cl
}

// Sample looks again whenever a lower pressure has taken the place of the one before.
func (w *loweredWatch) Sample(Reading) {
	if w.pending != nil && w.broken(w.pending) {
		w.pending = nil
	}
}

// onEmpty reports whether a corner came down on a pressure below its least beyond doubt.
func (p *Pass) onEmpty(cl *Closing) bool {
	p0 := cl.P0
	return p0.Known && p0.Age <= p0Oldest.Seconds() && p0.Reading.Value+2*p0.Reading.sensor.u < p.Limit(LimitLeast).Value
}

func (w *loweredWatch) broken(cl *Closing) bool {
	if !w.p.onEmpty(cl) {
		return false
	}
	p0, least := cl.P0, w.p.Limit(LimitLeast)
	w.said = cl.Descent
	w.p.Report(Verdict{Outcome: Broken, Start: cl.T0, End: max(cl.Detected, cl.Least.At), Class: Seen,
		Summary: fmt.Sprintf("%s came down on an empty spring: %s before it began to close, least %s",
			w.p.Corner, bar(p0.Reading.Value), bar(least.Value)),
		Evidence: cl.evidence(), Rests: w.rests(cl), Note: w.note(cl)})
	return true
}

// end judges a closing that was seen to its end.
func (w *loweredWatch) end(h Happening) {
	cl := w.pending
	w.pending = nil
	if cl.Phase == Standing && w.p.vehicle.sawRest {
		return // it had come down before; now it kneels, or somebody gets in
	}
	v := Verdict{Start: cl.T0, End: h.At, Class: Seen, Evidence: cl.evidence(), Rests: w.rests(cl), Note: w.note(cl)}
	v.Reason, v.Note = w.p.untold(cl)
	if v.Reason == "" && h.To != Standing {
		v.Reason, v.Note = NotObservable, "it was raised again before it was down"
	}
	if v.Reason == "" {
		v.Outcome = Held
		v.Summary = fmt.Sprintf("%s came down with %s in it; it may be rolled from %s on",
			w.p.Corner, bar(cl.P0.Reading.Value), bar(w.p.Limit(LimitLeast).Value))
		v.Note = w.note(cl)
	}
	w.p.Report(v)
}

// untold returns the reason for which nothing can be told of a corner that came down, none where
// it holds.
func (p *Pass) untold(cl *Closing) (Reason, string) {
	p0 := cl.P0
	c := p.corner()
	switch {
	case c.pressure == nil || c.pressure.heard == 0:
		return NoSignal, "no pressure signal"
	case !c.pressure.seen:
		return Invalid, c.pressure.signal.Name + " was never valid"
	case cl.Blind:
		return Stale, "its height was not seen while the others came down"
	case !p0.Known:
		return Stale, "no valid pressure is known from before it began to close"
	case !p0.Fresh && c.pressure.bad > 0:
		return Invalid, c.pressure.signal.Name + " was invalid when it began to close"
	case !p0.Fresh && cl.InGap:
		return Gap, "it closed while nothing was recorded"
	case !p0.Fresh:
		return Stale, fmt.Sprintf("its last pressure, %s, was %.0f s old when it began to close", bar(p0.Reading.Value), p0.Age)
	case cl.Phase == PhaseUnknown || cl.Phase == Standing || !cl.Opened:
		return NotObservable, "nobody saw that it hung before"
	}
	if reason, note := p.unseenBelow(cl); reason != "" {
		return reason, note
	}
	least := p.Limit(LimitLeast)
	s := p0.Reading.sensor
	if p0.Reading.Value-p0.Warm-2*s.u-s.q < least.Value {
		if p0.Warm > 0 && p0.Reading.Value-2*s.u-s.q >= least.Value {
			return InsideUncertainty, warmNote(p0)
		}
		return InsideUncertainty, fmt.Sprintf("%s lies within its uncertainty of the least %s", bar(p0.Reading.Value), bar(least.Value))
	}
	return "", ""
}

func warmNote(p0 Pressure0) string {
	when := "while the gas of the last fill was still warm"
	if p0.Unseen {
		when = "soon after a time in which a fill could not be seen, and its gas would still be warm"
	}
	return fmt.Sprintf("%s was read %s; up to %.2f bar may go as it cools", bar(p0.Reading.Value), when, p0.Warm)
}

// unseenBelow returns what was not seen of a corner on its way down, none where all was: its pressure
// may have fallen meanwhile, and the body may not have been down at all as long as a corner that
// nobody sees stands on a jack.
func (p *Pass) unseenBelow(cl *Closing) (Reason, string) {
	end := cmp.Or(cl.End, p.vehicle.now)
	if why := p.vehicle.whole(p.corner().pressure, min(cl.P0.Reading.At, cl.T0), end); why != "" {
		return why, "its pressure was not seen until it was down"
	}
	if cl.Descent != nil && cl.Descent.Unseen != NoAxle {
		return Stale, fmt.Sprintf("no height of the %s was seen when the rest was down: it may have stood on a jack", cl.Descent.Unseen)
	}
	return "", ""
}

// rests names the pressure up to the closing; the driver checks that it was whole there.
func (w *loweredWatch) rests(cl *Closing) []Rest {
	return []Rest{{Corner: w.p.Corner, Quantity: decode.Pressure, From: cl.P0.Reading.At, To: cl.T0},
		{Corner: w.p.Corner, Quantity: decode.Height, From: cl.T0, To: cl.T0}}
}

func (w *loweredWatch) note(cl *Closing) string {
	if cl.Blind {
		return "its height was not seen; the other corners came down"
	}
	return ""
}

// evidence returns the pressure before, the last height at the level, and the lowest height.
func (cl *Closing) evidence() []Evidence {
	var all []Evidence
	for _, r := range []Reading{cl.P0.Reading, cl.Last, cl.Height, cl.Least} {
		if r.sensor != nil && (len(all) == 0 || all[len(all)-1].Packet != r.Packet || all[len(all)-1].Signal != r.sensor.signal.Name) {
			all = append(all, r.evidence())
		}
	}
	return all
}

func (w *loweredWatch) Finish(at capture.Stamp) {
	if w.pending != nil {
		cl := w.pending
		reason, note := w.p.untold(cl)
		if reason == "" {
			reason, note = Gap, "the recording ends before it was down"
		}
		w.p.Report(Verdict{Start: cl.T0, End: at, Class: Seen, Evidence: cl.evidence(), Rests: w.rests(cl), Reason: reason, Note: note})
		return
	}
	c := w.p.corner()
	if c.pressure == nil || c.pressure.heard == 0 {
		w.p.Report(Verdict{Start: w.p.vehicle.start, End: at, Reason: NoSignal, Note: "no pressure signal"})
		return
	}
	if c.height == nil || c.height.heard == 0 {
		w.p.Report(Verdict{Start: w.p.vehicle.start, End: at, Reason: NoSignal, Note: "no height signal"})
		return
	}
	if why := w.p.vehicle.unseenWhileUp(c); why != "" && len(w.p.verdicts) == 0 {
		w.p.Report(Verdict{Start: w.p.vehicle.start, End: at, Reason: why, Note: "its height was not seen throughout while it hung"})
	}
}
