package safety

import (
	"fmt"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
)

// beginClosing starts the closing of a corner that hung at cand.
func (v *Vehicle) beginClosing(c *corner, cand candidate, r Reading, inGap bool) {
	cl := &Closing{Corner: c.id, T0: r.At, Detected: r.At, Level: c.level, Height: r, Least: r,
		Phase: v.phase, Opened: v.sawOpen(c), InGap: inGap, Unmoved: true}
	if cand.ok {
		cl.T0, cl.Last, cl.P0, cl.raw0 = cand.at.At, cand.at, cand.p0, cand.raw
	} else {
		cl.P0 = c.p0Before(r.At, c.settle(v.limits.Get(LimitSettle, c.id)))
		cl.P0.Fresh = false
	}
	cl.P0 = v.lowerSince(c, cl)
	c.closing = cl
	c.air.drop()
	v.excuse(cl)
	v.tell(Happening{Kind: CornerClosing, At: r.At, Start: cl.T0, Corner: c.id, Closing: cl})
	v.checkDescent(r.At)
}

// lowerSince takes a pressure that came after P0 in its place when it is lower beyond doubt: a
// corner that loses its air while it begins to close, or closes so slowly that P0 is old, comes
// down on what it has left. A rise counts for nothing (H02), nor does it make a pressure fresh that
// was not when the corner began to close: more may have been in it, and less.
func (v *Vehicle) lowerSince(c *corner, cl *Closing) Pressure0 {
	p := c.pressure
	if !p.fresh(cl.Detected) || !cl.P0.Known || p.last.Value >= cl.P0.Reading.Value-2*p.u {
		return cl.P0
	}
	return Pressure0{Reading: p.last, Known: true, Fresh: cl.P0.Fresh && !cl.InGap, Warm: cl.P0.Warm, Unseen: cl.P0.Unseen}
}

// standingHeight watches a corner of a body that stands, or is said to: a mark comes early, wheels
// turn on a lift, a lift hangs low. A closing must be as deep as a raise and fast.
func (v *Vehicle) standingHeight(c *corner, r Reading) {
	switch {
	case c.closing != nil:
		v.followClosing(c, r)
	case !c.restKnown:
	case r.Value >= c.rest-c.band():
		v.candidate(c, r)
	case c.cand.ok && r.Value <= c.cand.at.Value-closedBy:
		if took := r.At.Sub(c.cand.at.At).Seconds(); took > 0 && c.cand.at.Value-r.Value >= standingRate*took {
			c.level = c.rest
			v.beginClosing(c, c.cand, r, false)
		}
	}
}

// followClosing follows a corner on its way down.
func (v *Vehicle) followClosing(c *corner, r Reading) {
	cl := c.closing
	if r.Value < cl.Least.Value {
		cl.Least = r
	}
	if r.Value >= c.level-returnBand || v.settledAgain(c, cl) {
		v.endClosing(c, r.At)
		return
	}
	v.checkDescent(r.At)
	v.checkRest(r.At)
}

// settledAgain reports whether a corner that had closed alone keeps still again near its level,
// which moves a little when a jack comes out: bushes bind. It becomes the new level. While standing
// a corner that keeps still at any height has ended its closing.
func (v *Vehicle) settledAgain(c *corner, cl *Closing) bool {
	if !c.still || cl.Descent != nil {
		return false
	}
	if v.phase != Standing && (cl.Level-cl.Least.Value < closedBy || c.rest < cl.Level-axleBand) {
		return false
	}
	c.level = c.rest
	return true
}

// endClosing ends the closing of a corner that hangs again.
func (v *Vehicle) endClosing(c *corner, at capture.Stamp) {
	cl := c.closing
	c.closing, c.lastEnd, cl.End = nil, at, at
	v.tell(Happening{Kind: CornerReturn, At: at, Start: cl.T0, Corner: c.id, Closing: cl})
	if v.descent != nil && !slices.ContainsFunc(v.descent.Closings, func(o *Closing) bool { return v.corners[o.Corner].closing == o }) {
		v.endDescent(at, v.phase)
	}
}

// excuse says whether the mark 'jack' explains a closing: one axle, for a while, as long as the
// other axle keeps hanging.
func (v *Vehicle) excuse(cl *Closing) {
	cl.Jack = false
	if v.jack == nil || v.now.Sub(v.jack.At) > jackFor || v.goingDown != nil && v.goingDown.At > v.jack.At {
		return
	}
	axle := axleOf(cl.Corner)
	if v.jack.Corner != decode.NoCorner && axleOf(v.jack.Corner) != axle {
		return
	}
	for _, id := range decode.Corners {
		c := v.corners[id]
		if axleOf(id) == axle {
			continue
		}
		if c.closing != nil || !c.height.fresh(v.now) || !c.levelKnown || c.height.last.Value < c.level-axleBand {
			return
		}
	}
	cl.Jack = true
}

// checkDescent decides whether the corners that close make a descent, and who belongs to it.
func (v *Vehicle) checkDescent(at capture.Stamp) {
	for _, id := range decode.Corners {
		cl := v.corners[id].closing
		if cl == nil || cl.Descent != nil {
			continue
		}
		if cl.Jack {
			v.excuse(cl)
		}
		if !cl.Jack && v.isDescent(cl, at) {
			v.join(cl, at)
		}
	}
	v.joinBlind(at)
}

// isDescent says whether a closing belongs to a descent. In doubt it does (H04).
func (v *Vehicle) isDescent(cl *Closing, at capture.Stamp) bool {
	if v.descent != nil || v.goingDown != nil && v.goingDown.At > v.phaseSince {
		return true
	}
	fresh := 0
	for _, id := range decode.Corners {
		o := v.corners[id]
		if id == cl.Corner {
			continue
		}
		if o.closing != nil && !o.closing.Jack && distance(o.closing.T0, cl.T0) <= capture.Stamp(together) {
			return true
		}
		if o.height.fresh(at) {
			fresh++
		}
	}
	return fresh < 2
}

// join adds a closing to the present descent, or begins one.
func (v *Vehicle) join(cl *Closing, at capture.Stamp) {
	kind := DescentJoined
	if v.descent == nil {
		kind = DescentBegan
		v.descent = &Descent{Start: cl.T0}
		v.descents++
	}
	v.descent.Start = min(v.descent.Start, cl.T0)
	v.descent.Closings = append(v.descent.Closings, cl)
	cl.Descent = v.descent
	v.tell(Happening{Kind: kind, At: at, Start: cl.T0, Corner: cl.Corner, Closing: cl})
}

// joinBlind adds the corners whose height is not seen: while the others come down they come too.
func (v *Vehicle) joinBlind(at capture.Stamp) {
	if v.descent == nil {
		return
	}
	for _, id := range decode.Corners {
		c := v.corners[id]
		if c.closing != nil || c.height.fresh(at) || !c.onAir || v.descent.has(id) {
			continue
		}
		cl := &Closing{Corner: id, T0: v.descent.Start, Detected: at, Phase: v.phase, Blind: true, Descent: v.descent}
		if c.pressure != nil && c.pressure.seen {
			cl.P0 = c.blindP0(v.descent.Start)
		}
		v.descent.Closings = append(v.descent.Closings, cl)
		v.tell(Happening{Kind: DescentJoined, At: at, Start: cl.T0, Corner: id, Closing: cl})
	}
}

// has reports whether a corner belongs to the descent.
func (d *Descent) has(id decode.Corner) bool {
	return slices.ContainsFunc(d.Closings, func(cl *Closing) bool { return cl.Corner == id })
}

// blindP0 is the last pressure before a descent that this corner's height did not show.
func (c *corner) blindP0(t0 capture.Stamp) Pressure0 {
	p := c.pressure
	pt, ok := p.recent.before(t0.Add(-pressureLag))
	if !ok {
		pt = point{at: p.last.At, r: p.last}
	}
	return Pressure0{Reading: pt.r, Known: true, Age: t0.Sub(pt.at).Seconds()}
}

// checkRest ends a descent when two corners closed far and every closing corner keeps still. It is not
// over as long as another corner is seen hanging: one axle may stand on a jack.
func (v *Vehicle) checkRest(at capture.Stamp) {
	far := 0
	for _, id := range decode.Corners {
		c := v.corners[id]
		if !c.height.fresh(at) {
			continue
		}
		if c.closing == nil && c.levelKnown && c.height.last.Value >= c.level-axleBand {
			return
		}
		if c.closing == nil || c.closing.Jack {
			continue
		}
		if c.closing.Level-c.height.last.Value >= closedBy {
			far++
		}
		if still, _ := c.stillness(at, restFor); !still {
			return
		}
	}
	if far >= 2 {
		v.stands(at)
		v.sawRest = true
	}
}

// stands says that the body stands on its wheels from at on.
func (v *Vehicle) stands(at capture.Stamp) {
	if v.phase == Standing && v.descent == nil {
		return
	}
	v.testRise(at)
	v.endDescent(at, Standing)
	for _, id := range decode.Corners {
		c := v.corners[id]
		if c.closing != nil {
			c.lastEnd = at
		}
		c.closing, c.levelKnown, c.opened, c.cand = nil, false, false, candidate{}
		c.opening = false
		if c.height.fresh(at) {
			if still, mean := c.stillness(at, restFor); still {
				c.rest, c.restKnown = mean, true
			}
		}
	}
	v.hangMark = false
	v.setPhase(Standing, at)
}

// endDescent ends the present descent; to is the phase that follows it.
func (v *Vehicle) endDescent(at capture.Stamp, to Phase) {
	d := v.descent
	if d == nil {
		return
	}
	v.joinBlind(at)
	v.descent = nil
	d.Ended = true
	for _, cl := range d.Closings {
		cl.End = at
	}
	d.Unseen = v.unseenAxle(at)
	v.tell(Happening{Kind: DescentEnded, At: at, Start: d.Start, Closing: d.Closings[0], To: to})
}

// unseenAxle returns the axle of which no height is seen at the time at, though it has some.
func (v *Vehicle) unseenAxle(at capture.Stamp) Axle {
	for _, axle := range []Axle{Front, Rear} {
		has, seen := false, false
		for _, id := range axle.Corners() {
			if c := v.corners[id]; c.height != nil {
				has, seen = true, seen || c.height.fresh(at)
			}
		}
		if has && !seen {
			return axle
		}
	}
	return NoAxle
}

// testRise holds the pressures at the end of a descent against what closed springs must show: one
// that did not move by a bit, or rose by less than a third of the isothermal rise, is no pressure
// of this spring (H15). An open line explains it, since the air is pushed out.
func (v *Vehicle) testRise(at capture.Stamp) {
	for _, id := range decode.Corners {
		c := v.corners[id]
		cl := c.closing
		if cl == nil || cl.Jack || cl.Phase == Standing || c.lineOpen != nil || !c.pressure.fresh(at) || !cl.P0.Known || cl.Level-cl.Least.Value < closedBy {
			continue
		}
		name := c.pressure.signal.Name
		if cl.Unmoved {
			v.contradict(c, at, fmt.Sprintf("%s did not move by one bit while the corner closed by %.0f mm", name, cl.Level-cl.Least.Value))
			continue
		}
		rise, ok := v.expectedRise(c, cl)
		got := c.pressure.last.Value - cl.P0.Reading.Value
		if ok && rise > 3*max(c.pressure.u, c.pressure.q) && got < rise*risePart {
			v.contradict(c, at, fmt.Sprintf("%s rose by %.2f bar while the corner closed by %.0f mm; a closed spring would have risen by about %.2f bar (worked out, isothermal)",
				name, got, cl.Level-cl.Least.Value, rise))
		}
	}
}

// expectedRise returns the isothermal rise of a closed spring from hanging to where it is now, in
// bar: p1 = p0 V0/V1 with absolute pressures (Boyle). It needs volume and area from the card and a
// height over design.
func (v *Vehicle) expectedRise(c *corner, cl *Closing) (float64, bool) {
	shift, ok := v.overDesign(c)
	if !ok {
		return 0, false
	}
	baro, _ := v.barometer()
	rise, ok := c.gas().Rise((cl.P0.Reading.Value+baro)*paPerBar, cl.Level+shift, c.height.last.Value+shift)
	return rise / paPerBar, ok && rise > 0
}

const paPerBar = 1e5

// overDesign returns what to add to the height signal of a corner to get the height over design.
func (v *Vehicle) overDesign(c *corner) (float64, bool) {
	if c.height == nil {
		return 0, false
	}
	if c.height.signal.Reference == decode.Design {
		return 0, true
	}
	offset, why, _ := c.ties.offset()
	series, ok := v.series(c.id)
	if why != "" || !ok {
		return 0, false
	}
	return offset - series, true
}

// series returns the reference height of a corner by tape: the series height, or else the one
// measured before.
func (v *Vehicle) series(id decode.Corner) (float64, bool) {
	if v.card == nil || v.card.Heights[id] == nil {
		return 0, false
	}
	h := v.card.Heights[id]
	if h.SeriesMM.Known {
		return h.SeriesMM.Value, true
	}
	return h.BeforeMM.Value, h.BeforeMM.Known
}

// nearDesign says that the body stands when every height that is seen lies near design and no
// raise came.
func (v *Vehicle) nearDesign(at capture.Stamp) {
	if v.raised || v.phase != PhaseUnknown {
		return
	}
	seen := 0
	for _, id := range decode.Corners {
		c := v.corners[id]
		if c.height == nil {
			continue
		}
		shift, ok := v.overDesign(c)
		if !ok || !c.height.fresh(at) || abs(c.height.last.Value+shift) > nearDesign {
			return
		}
		seen++
	}
	if seen >= 2 {
		v.tell(Happening{Kind: WasStanding, At: at, Start: v.start, To: Standing})
		v.stands(at)
	}
}

// heightAfterGap follows a corner whose height was not seen for a while.
func (v *Vehicle) heightAfterGap(c *corner, r Reading, gap span) {
	c.still, c.opening = false, false
	v.tell(Happening{Kind: SignalGap, At: gap.to, Start: gap.from, Corner: c.id, Quantity: decode.Height})
	if v.phase == Standing || v.phase == Rising || !c.levelKnown {
		if v.phase == Standing && c.inRest.sensor != nil && r.Value >= c.inRest.Value+openBy {
			v.setPhase(PhaseUnknown, r.At) // it may have been raised meanwhile
		}
		c.restKnown = false
		return
	}
	if c.closing == nil && r.Value <= c.level-c.closingBy(v.limits.Get(LimitClosing, c.id).Value) {
		cand := c.cand
		cand.p0.Fresh = cand.p0.Fresh && gap.to.Sub(cand.p0.Reading.At) <= c.pressure.rhythm.Limit()
		v.beginClosing(c, cand, r, true)
	}
	c.restKnown = false
}
