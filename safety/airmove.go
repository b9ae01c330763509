package safety

import (
	"cmp"

	"ridewitness/capture"
)

// airTrack finds bleeds and fills in a corner's pressure: stretches in which it moves while the
// height does not.
type airTrack struct {
	active     bool
	fill       bool
	from, last Reading
	hMin, hMax float64

	move     *AirMove // the one that later steps may join
	fillEnd  capture.Stamp
	fillStep float64 // bar
	lastStep capture.Stamp
	bleedEnd capture.Stamp

	unseen       Reading       // the pressure at the end of the last time in which a fill may have been missed
	torn         Reason        // why the present stretch is not seen whole
	lost         [2]missed     // a bleed, a fill that may have been missed since the last move
	filledUnseen capture.Stamp // until when a fill may have been missed last
}

// missed is a move of the air that may have been missed.
type missed struct {
	why   Reason // "" where none was
	until capture.Stamp
}

// way is the place of a bleed and of a fill in lost.
func way(fill bool) int {
	if fill {
		return 1
	}
	return 0
}

// warm returns how much to take off a pressure at the time at, in bar: a quarter of the last fill step
// for settle seconds after it, since a quick fill ends warm. Where one may have been missed within that
// time, it may have been all that was in the spring then, and unseen is true. A bleed since cools.
func (a *airTrack) warm(at capture.Stamp, settle float64) (bar float64, unseen bool) {
	end, step := a.fillEnd, a.fillStep
	if a.active && a.fill {
		end, step = a.last.At, a.filled(a.from, a.last)
	}
	recent := func(t capture.Stamp) bool { return t != 0 && at >= t && at.Sub(t).Seconds() <= settle }
	if !recent(end) {
		step = 0
	}
	if recent(a.unseen.At) && a.unseen.Value > step {
		return warmShare * a.unseen.Value, true
	}
	return warmShare * step, false
}

// filled returns the size of a fill step, in bar. One that was going on when the pressure came again has
// begun unseen, and may have begun from nothing.
func (a *airTrack) filled(from, to Reading) float64 {
	if a.unseen.At != 0 && from.At.Sub(a.unseen.At) < airApart {
		return to.Value
	}
	return to.Value - from.Value
}

// resume follows the first pressure behind a gap, and the one before it: what the air did meanwhile
// nobody saw. A fall of no more than the residual pressure is no bleed: it leaves with the line.
func (a *airTrack) resume(before, r Reading, why Reason, residual float64) {
	a.unseen = r
	if a.active {
		a.torn = why
	}
	change := r.Value - before.Value
	if before.sensor == nil || abs(change) < airStepLeast || change < 0 && before.Value <= residual {
		return
	}
	a.lose(change > 0, r, why)
}

// lose notes that a bleed or a fill up to r may have been missed, why, and that it may belong to the
// present move.
func (a *airTrack) lose(fill bool, r Reading, why Reason) {
	a.lost[way(fill)] = missed{why, r.At}
	if fill {
		a.unseen, a.filledUnseen = r, r.At
	}
	if a.move != nil && a.move.Fill == fill {
		a.move.Gap, a.move.Until = why, r.At
	}
}

// add follows one valid pressure reading. before is the reading about a second earlier.
func (a *airTrack) add(v *Vehicle, c *corner, r Reading, before Reading) {
	dt := r.At.Sub(before.At).Seconds()
	if dt <= 0 {
		return
	}
	rate := (r.Value - before.Value) / dt
	floor := max(airRate, airNoise*c.pressureNoise.sigma(0)/dt)
	moving := rate >= floor || rate <= -floor
	if moving && !a.quiet(v, c, r.At) {
		if why := c.height.unseen(r.At); why != "" {
			a.lose(rate > 0, r, why)
		}
		a.drop()
		return
	}
	if a.active {
		a.follow(c)
		if a.hMax-a.hMin > airHeight {
			a.drop()
			return
		}
	}
	switch {
	case moving && a.active && a.fill == (rate > 0) && r.At.Sub(a.last.At) < airApart:
		a.last = r
	case moving:
		a.finish(v, c)
		a.begin(c, before, r, rate > 0)
	case a.active && r.At.Sub(a.last.At) >= airApart && c.height.last.At > a.last.At:
		// A height that came since is needed: a slow one may not have shown the body's move yet.
		a.finish(v, c)
	}
}

// quiet reports whether the height tells that nothing but air moves the pressure.
func (a *airTrack) quiet(v *Vehicle, c *corner, at capture.Stamp) bool {
	if !c.height.fresh(at) || v.phase == Rising || c.closing != nil {
		return false
	}
	return (v.raisedAt == 0 || at.Sub(v.raisedAt) > airAfter) && (c.lastEnd == 0 || at.Sub(c.lastEnd) > airAfter)
}

func (a *airTrack) begin(c *corner, from, r Reading, fill bool) {
	a.active, a.fill, a.from, a.last, a.torn = true, fill, from, r, ""
	h := c.height.last.Value
	a.hMin, a.hMax = h, h
	// The stretch begins before the reading that shows it: what the body did meanwhile counts too.
	if least, greatest, _, n, _ := c.height.recent.over(from.At, 1); n > 0 {
		a.hMin, a.hMax = least.v, greatest.v
	}
}

func (a *airTrack) follow(c *corner) {
	h := c.height.last.Value
	a.hMin, a.hMax = min(a.hMin, h), max(a.hMax, h)
}

func (a *airTrack) drop() { a.active = false }

// finish ends the present stretch and makes a step of it.
func (a *airTrack) finish(v *Vehicle, c *corner) {
	if !a.active {
		return
	}
	a.active = false
	if c.height.last.At <= a.from.At {
		a.lose(a.fill, a.last, Stale)
		return // nobody saw whether the body moved meanwhile
	}
	step := Step{From: a.from, To: a.last}
	size := step.To.Value - step.From.Value
	if size < 0 {
		size = -size
	}
	if size < max(airStepLeast, 2*c.pressure.u, 1.5*c.pressure.q) {
		return
	}
	if a.fill {
		a.fillEnd, a.fillStep = step.To.At, a.filled(step.From, step.To)
	} else {
		a.fillEnd = 0
		if a.unseen.At <= step.From.At {
			a.unseen = Reading{}
		}
	}
	a.lastStep = step.To.At
	if a.move == nil || a.move.Fill != a.fill {
		a.end(v, c)
		a.move = &AirMove{Corner: c.id, Fill: a.fill, Phase: v.phaseAt(c), Gap: a.lost[way(a.fill)].why}
	}
	a.move.Gap = cmp.Or(a.move.Gap, a.torn)
	a.move.Steps = append(a.move.Steps, step)
	a.move.Height = max(a.move.Height, a.hMax-a.hMin)
	if !a.fill && a.move.Change() >= airMoveLeast {
		a.bleedEnd = step.To.At
	}
	if len(a.move.Steps) > maxSteps {
		a.end(v, c)
		return
	}
	v.tell(Happening{Kind: AirStep, At: step.To.At, Start: step.From.At, Corner: c.id, Move: a.move})
}

// close ends what is going on at the end of the recording. A pressure that was last seen moving and did
// not come again may have gone on.
func (a *airTrack) close(v *Vehicle, c *corner) {
	if a.active && a.torn == "" {
		a.torn = c.pressure.unseen(v.now)
	}
	a.finish(v, c)
	a.end(v, c)
}

// maxSteps bounds the steps of one move; a move with more is ended and a new one begins.
const maxSteps = 256

// end closes the present move; later steps begin a new one.
func (a *airTrack) end(v *Vehicle, c *corner) {
	m := a.move
	if m == nil {
		return
	}
	a.move = nil
	m.Ended = true
	for i := range a.lost {
		if m.Change() >= airMoveLeast && a.lost[i].until <= m.End() {
			a.lost[i] = missed{}
		}
	}
	if !m.Fill && m.Change() >= airMoveLeast {
		c.bledAt = max(c.bledAt, m.End())
	}
	v.tell(Happening{Kind: AirMoveEnded, At: m.End(), Start: m.Start(), Corner: c.id, Move: m})
}
