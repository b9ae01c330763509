package safety

import (
	"fmt"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety/jobcard"
)

// Vehicle is what is known of the body and its corners: whether it stands or hangs, which corners
// close, what the air does. It turns samples and marks into happenings and judges nothing.
type Vehicle struct {
	card    *jobcard.Card
	limits  *Limits
	corners [5]*corner                // by decode.Corner
	sensors [decode.Other + 1]*sensor // of the whole vehicle, by quantity
	tell    func(Happening)

	start, now capture.Stamp
	marks      marks
	requests   requests
	bleeds     []*bleedCheck // that are not settled yet

	phase      Phase
	phaseSince capture.Stamp
	sawRest    bool          // it was seen to come to rest, and was not raised since
	raised     bool          // a raise or a mark of one came
	raisedAt   capture.Stamp // last moment of the last raise
	raiseStart capture.Stamp
	frameAt    capture.Stamp // of the last frame
	frameNext  capture.Stamp // of the last frame that was looked at ahead
	gaps       []span        // stretches in which nothing was recorded on any bus
	asleep     []span        // stretches in which every bus was silent after the ignition was seen off
	hung       []span        // stretches in which the body did not stand for certain
	hangMark   bool

	descent   *Descent
	descents  int
	jack      *Mark
	goingDown *Mark
	contact   *Mark
	lowered   *Mark
}

// Sensors of the vehicle and its corners are given by attach; a Vehicle without any knows nothing.
func newVehicle(card *jobcard.Card, tell func(Happening)) *Vehicle {
	v := &Vehicle{card: card, limits: newLimits(card), tell: tell}
	for _, id := range decode.Corners {
		c := &corner{id: id}
		if card != nil {
			c.spring = card.Springs[id]
			c.onAir = c.spring != nil
			for _, circuit := range card.Circuits {
				c.circuit = append(c.circuit, partners(circuit, id)...)
			}
		}
		v.corners[id] = c
	}
	if card != nil {
		for _, r := range card.Readings {
			v.corners[r.Corner].ties.expect(r.At, r.TapeMM, 0)
		}
	}
	return v
}

func partners(circuit []decode.Corner, id decode.Corner) []decode.Corner {
	var others []decode.Corner
	inside := false
	for _, c := range circuit {
		if c == id {
			inside = true
		} else {
			others = append(others, c)
		}
	}
	if !inside {
		return nil
	}
	return others
}

// attach gives the vehicle a signal to follow.
func (v *Vehicle) attach(s *sensor) {
	q, id := s.signal.Quantity, s.signal.Corner
	if id == decode.NoCorner {
		v.sensors[q] = s
		return
	}
	c := v.corners[id]
	switch q {
	case decode.Height:
		c.height = s
	case decode.Pressure:
		c.pressure = s
		if v.card == nil || !v.card.HasSprings {
			c.onAir = true
		}
	default:
		if v.sensors[q] == nil {
			v.sensors[q] = s
		}
	}
}

// sensor returns the signal of a corner, or of the vehicle, nil where there is none.
func (v *Vehicle) sensor(id decode.Corner, q decode.Quantity) *sensor {
	if id != decode.NoCorner {
		switch q {
		case decode.Height:
			return v.corners[id].height
		case decode.Pressure:
			return v.corners[id].pressure
		}
	}
	return v.sensors[q]
}

// least returns the least pressure of a corner's spring.
func (v *Vehicle) least(id decode.Corner) Threshold { return v.limits.Get(LimitLeast, id) }

// barometer returns the surrounding pressure in bar and its standard uncertainty.
func (v *Vehicle) barometer() (bar, u float64) {
	if b := v.sensors[decode.BarometricPressure]; b != nil && b.seen {
		return b.last.Value, b.u
	}
	return seaLevel, seaLevelU
}

// setPhase changes the phase and says so.
func (v *Vehicle) setPhase(to Phase, at capture.Stamp) {
	if v.phase == to {
		return
	}
	from := v.phase
	if from == Standing {
		v.hung = append(v.hung, span{from: at})
		v.sawRest = false
	}
	if to == Standing && len(v.hung) > 0 {
		v.hung[len(v.hung)-1].to = at
	}
	v.phase, v.phaseSince = to, at
	for _, id := range decode.Corners {
		v.corners[id].air.end(v, v.corners[id])
	}
	v.tell(Happening{Kind: PhaseChanged, At: at, From: from, To: to})
}

// phaseAt is the phase as far as it is known of one corner: hanging only where that one was seen to
// open, or a mark said so.
func (v *Vehicle) phaseAt(c *corner) Phase {
	if v.phase == Hanging && !v.sawOpen(c) {
		return PhaseUnknown
	}
	return v.phase
}

// sawOpen reports whether somebody saw that a corner hangs.
func (v *Vehicle) sawOpen(c *corner) bool { return (c.opened || v.hangMark) && !c.unsteady }

// observe follows one reading, whatever its quantity.
func (v *Vehicle) observe(r Reading, gap span) {
	switch r.Quantity {
	case decode.Height:
		if r.Corner != decode.NoCorner {
			v.height(v.corners[r.Corner], r, gap)
		}
	case decode.Pressure:
		if r.Corner != decode.NoCorner {
			v.pressure(v.corners[r.Corner], r, gap)
		}
	case decode.VehicleSpeed:
		if r.Value >= standingSpeed {
			v.stands(r.At)
		}
	}
}

// height follows one valid height of a corner.
func (v *Vehicle) height(c *corner, r Reading, gap span) {
	if c.height.recent.back(0).at == r.At {
		c.heightNoise.add(r.Value)
	}
	if gap.why != "" {
		v.heightAfterGap(c, r, gap)
	}
	still, mean := c.stillness(r.At, stillFor)
	c.still = still
	if c.ties.settle(c, r.At, false) {
		v.nearDesign(r.At)
	}
	if !c.restKnown || abs(r.Value-c.rest) <= c.band() {
		c.inRest = r
	}
	v.opening(c, r)
	if still {
		c.rest, c.restKnown = mean, true
	}
	switch v.phase {
	case Rising:
		v.rising(c, r)
	case Standing:
		v.standingHeight(c, r)
	default:
		v.hangingHeight(c, r, mean)
	}
	if v.phase != Standing && c.height.signal.Reference == decode.Design {
		v.nearDesign(r.At)
	}
}

// opening watches for a corner that opens, and for two that open together: a raise.
func (v *Vehicle) opening(c *corner, r Reading) {
	if v.phase == Rising || !c.restKnown {
		return
	}
	if r.Value < c.rest+openBy {
		if abs(r.Value-c.rest) <= c.band() {
			c.opening = false
		}
		return
	}
	if !c.opening {
		c.opening, c.openStart = true, c.inRest
	}
	for _, id := range decode.Corners {
		o := v.corners[id]
		if o == c || !o.opening || distance(o.openStart.At, c.openStart.At) > capture.Stamp(together) {
			continue
		}
		if v.phase == Hanging || v.filledUp(c) && v.filledUp(o) {
			continue
		}
		v.raise(min(o.openStart.At, c.openStart.At), r.At)
		return
	}
}

// filledUp reports whether a corner opened because air lifted the body: on a lift the pressure
// falls while a spring opens, under a load it stays or rises. A car that levels itself after it
// was let down on empty springs is not on a lift.
func (v *Vehicle) filledUp(c *corner) bool {
	p := c.pressure
	if !p.fresh(v.now) {
		return false
	}
	before, ok := p.recent.before(c.openStart.At)
	if !ok {
		return false
	}
	rose := p.last.Value - before.v
	return rose >= airMoveLeast || before.v >= 1 && rose > -2*p.u
}

// raise begins a raise that started at from.
func (v *Vehicle) raise(from, at capture.Stamp) {
	if v.phase == PhaseUnknown && !v.raised {
		v.tell(Happening{Kind: WasStanding, At: from, Start: v.start})
	}
	v.raised, v.raisedAt = true, at
	v.endDescent(at, Rising)
	for _, id := range decode.Corners {
		c := v.corners[id]
		c.levelKnown, c.unsteady, c.opened = false, false, false
		c.closing, c.cand = nil, candidate{}
		if c.height != nil && c.height.seen {
			c.peak, c.low = c.height.last.Value, c.height.last.Value
			if c.restKnown {
				c.low = c.rest
			}
			c.restKnown = c.restKnown && !c.opening
		}
	}
	v.raiseStart = from
	v.setPhase(Rising, at)
	v.phaseSince = from
}

// rising follows a corner on its way up, until every corner that is seen keeps still.
func (v *Vehicle) rising(c *corner, r Reading) {
	v.raisedAt = r.At
	c.peak = max(c.peak, r.Value)
	if r.Value >= c.low+openBy {
		c.opened = true
	}
	if r.Value < c.peak-closedBy {
		v.hangs(r.At, true) // it comes down again and never kept still
		return
	}
	for _, id := range decode.Corners {
		if o := v.corners[id]; o.height.fresh(r.At) && !o.still {
			return
		}
	}
	v.hangs(r.At, false)
}

// hangs ends a raise: each corner's level is where it keeps still, or else its highest height.
func (v *Vehicle) hangs(at capture.Stamp, unsteady bool) {
	for _, id := range decode.Corners {
		c := v.corners[id]
		if !c.height.fresh(at) {
			continue
		}
		c.level, c.levelKnown, c.unsteady = c.peak, true, unsteady
		if c.still {
			c.level = c.rest
		}
		c.opening = false
	}
	v.setPhase(Hanging, at)
}

// hangingHeight follows a corner that hangs, or may hang.
func (v *Vehicle) hangingHeight(c *corner, r Reading, mean float64) {
	if c.still && (!c.levelKnown || mean > c.level) {
		c.level, c.levelKnown, c.unsteady = mean, true, false
	}
	if !c.levelKnown {
		return
	}
	if c.closing != nil {
		v.followClosing(c, r)
		return
	}
	if r.Value <= c.level-c.closingBy(v.limits.Get(LimitClosing, c.id).Value) {
		v.beginClosing(c, c.cand, r, false)
		return
	}
	if c.hangsAt(r) {
		v.candidate(c, r)
	}
}

// candidate notes that the corner has not begun to close at r.
func (v *Vehicle) candidate(c *corner, r Reading) {
	c.cand = candidate{at: r, p0: c.p0Before(r.At, c.settle(v.limits.Get(LimitSettle, c.id))), ok: true}
	if c.pressure != nil && c.pressure.seen {
		c.cand.raw = c.pressure.last.Raw
	}
}

// hangsAt reports whether the corner still hangs at r: within the band of where it last kept
// still, or of its level where it never did.
func (c *corner) hangsAt(r Reading) bool {
	at := c.level
	if c.restKnown && c.level-c.rest <= axleBand {
		at = c.rest
	}
	return r.Value >= at-c.band()
}

// pressure follows one valid pressure of a corner.
func (v *Vehicle) pressure(c *corner, r Reading, gap span) {
	p := c.pressure
	if gap.why != "" || !c.lowestKnown {
		c.air.resume(c.before, r, gap.why, v.limits.Get(LimitResidual, c.id).Value)
	}
	c.before = r
	kept := p.recent.back(0).at == r.At
	if kept {
		c.pressureNoise.add(r.Value)
	}
	v.checkPressure(c, r)
	v.checkBleeds(c, r)
	if r.Value+2*p.u >= v.least(c.id).Value {
		c.provenAt = r.At
	}
	if cl := c.closing; cl != nil {
		cl.Unmoved = cl.Unmoved && r.Raw == cl.raw0
		if cl.Phase != Standing {
			cl.P0 = v.lowerSince(c, cl)
		}
	}
	if !kept || c.height == nil {
		return
	}
	if before, ok := p.recent.before(r.At.Add(-airRateSpan)); ok {
		c.air.add(v, c, r, before.r)
	}
}

// checkPressure holds a pressure against what no spring can have.
func (v *Vehicle) checkPressure(c *corner, r Reading) {
	p := c.pressure
	if g := v.limits.Get(LimitGreatest, c.id); g.Known && r.Value > beyond*g.Value {
		v.contradict(c, r.At, fmt.Sprintf("%s read %.2f bar gauge, more than %g times the greatest pressure of %g bar",
			p.signal.Name, r.Value, beyond, g.Value))
	}
	if !c.lowestKnown || r.Value < c.lowest.Value {
		c.lowest, c.lowestKnown = r, true
	}
	if c.zeroAt != 0 && r.At >= c.zeroAt {
		c.zeroAt = 0
		v.testZero(c, r)
	}
}

// testZero tests the zero of a corner's pressure while its line is open: a vented bellows reads
// nothing over the surrounding air (HAZARDS H01). With the ignition off nothing is sent while a line
// is open; then the first pressure after it is tested, before anybody can have filled.
func (v *Vehicle) testZero(c *corner, r Reading) {
	c.zeroTested = true
	baro, u := v.barometer()
	absolute := abs(r.Value-baro) <= zeroBand+2*u
	if c.pressure.signal.Reference == decode.Absolute {
		absolute = abs(r.Value+baro) <= zeroBand+2*u
	}
	if absolute {
		v.contradict(c, r.At, fmt.Sprintf("%s (%s) read %.2f bar with its line open: the definition says %s, and that is not what the sensor sends",
			c.pressure.signal.Name, c.pressure.signal.Place, r.Value, c.pressure.signal.Reference))
	}
}

// contradict marks the pressure of a corner as one that can't be true.
func (v *Vehicle) contradict(c *corner, at capture.Stamp, why string) {
	if c.pressure.contradicted {
		return
	}
	c.pressure.contradict(at, why)
	v.tell(Happening{Kind: Contradiction, At: at, Corner: c.id, Quantity: decode.Pressure, Why: why})
}

// invalid follows a sample that is not a value.
func (v *Vehicle) invalid(r Reading) {
	s := r.sensor
	if r.Status != decode.StatusOutOfRange {
		s.outside = 0
		return
	}
	s.outside++
	if s.outside >= outsideFor && r.At.Sub(s.badFrom) >= airRateSpan && r.Quantity == decode.Pressure && r.Corner != decode.NoCorner {
		v.contradict(v.corners[r.Corner], r.At, fmt.Sprintf("%s read %g %s, outside its valid range of %g to %g",
			s.signal.Name, r.Source, s.signal.Unit.Name, s.signal.ValidMin, s.signal.ValidMax))
	}
}

// tick lets time pass to now.
func (v *Vehicle) tick(now capture.Stamp) {
	if v.start == 0 {
		v.start = now
		v.hung = append(v.hung, span{from: now})
	}
	v.now = max(v.now, now)
}

// heard notes that a frame came. Marks and the clock are no frames.
func (v *Vehicle) heard(at capture.Stamp) {
	if at <= v.frameAt {
		return
	}
	if v.silent(at) && len(v.asleep) < maxSpans {
		v.asleep = append(v.asleep, span{from: v.frameAt, to: at})
	}
	v.frameAt = at
}

// recorded notes that a frame comes next, and the stretch before it if there was nothing in it.
func (v *Vehicle) recorded(at capture.Stamp) {
	if v.frameNext != 0 && at.Sub(v.frameNext) >= sleepFrom {
		if len(v.gaps) == maxSpans {
			v.gaps = v.gaps[1:]
		}
		v.gaps = append(v.gaps, span{from: v.frameNext, to: at})
	}
	v.frameNext = max(v.frameNext, at)
}

// unrecorded returns the end of the last stretch, between two times, in which nothing was recorded though
// no bus was known to sleep; 0 where there is none. It may still go on.
func (v *Vehicle) unrecorded(from, to capture.Stamp) capture.Stamp {
	if v.frameNext != 0 && to.Sub(v.frameNext) >= sleepFrom && !v.slept(span{from: v.frameNext, to: to}) {
		return to
	}
	for _, g := range slices.Backward(v.gaps) {
		if g.to > from && to.Sub(g.from) >= sleepFrom && !v.slept(g) {
			return min(g.to, to)
		}
	}
	return 0
}

// silent reports whether every bus has been silent since the ignition was seen off.
func (v *Vehicle) silent(at capture.Stamp) bool {
	s := v.sensors[decode.Ignition]
	return v.frameAt != 0 && at.Sub(v.frameAt) >= sleepFrom && s.fresh(v.frameAt) && s.last.State() == "off"
}

// slept reports whether a stretch without values is one in which every bus was silent after the
// ignition was seen off. Signals stop a little before and come back a little after.
func (v *Vehicle) slept(g span) bool {
	if v.silent(v.now) && g.from.Sub(v.frameAt) >= -sleepEdge {
		return true
	}
	for _, s := range v.asleep {
		if g.from.Sub(s.from) >= -sleepEdge && s.to.Sub(g.to) >= -sleepEdge {
			return true
		}
	}
	return false
}

// finish ends the recording.
func (v *Vehicle) finish() {
	for _, id := range decode.Corners {
		c := v.corners[id]
		if c.height != nil {
			c.ties.settle(c, v.now, true)
		}
		if c.pressure != nil && c.height != nil {
			c.air.close(v, c)
			v.testLowest(c, v.now)
		}
	}
}

// testLowest holds the lowest pressure after a bleed against the barometer: a spring that was bled
// and reads the surrounding pressure has an absolute sensor under a gauge definition (H01).
func (v *Vehicle) testLowest(c *corner, at capture.Stamp) {
	if c.zeroTested || c.bledAt == 0 || !c.lowestKnown || c.pressure.signal.Reference != decode.Gauge {
		return
	}
	if baro, u := v.barometer(); abs(c.lowest.Value-baro) <= zeroBand+2*u {
		v.contradict(c, at, fmt.Sprintf("%s (%s) never read less than %.2f bar after the bleed: that is the surrounding pressure, and the definition says gauge",
			c.pressure.signal.Name, c.pressure.signal.Place, c.lowest.Value))
	}
}

// whole returns why a signal can't be relied on from one time to the other, "" where it can. A bus that
// slept is a reason of its own.
func (v *Vehicle) whole(s *sensor, from, to capture.Stamp) Reason { return s.whole(from, to, v.slept) }

// unseenWhileUp returns why the height of a corner was not seen throughout the stretches in which
// the body did not stand for certain, "" where it was.
func (v *Vehicle) unseenWhileUp(c *corner) Reason {
	for _, s := range v.hung {
		to := s.to
		if to == 0 {
			to = v.now
		}
		if why := c.height.whole(s.from, to, awake); why != "" {
			return why
		}
	}
	return ""
}
