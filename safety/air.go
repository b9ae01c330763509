package safety

import (
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety/leak"
	"ridewitness/safety/sag"
)

// LeakRow is what one stretch at rest says about a corner's air.
type LeakRow struct {
	Corner     decode.Corner
	Start, End capture.Stamp
	Estimate   leak.Estimate
}

// SagRow is why a corner sank between two moments of quiet standing.
type SagRow struct {
	Corner     decode.Corner
	Start, End capture.Stamp
	Sag        sag.Corner
}

// Bounds and waits of the air log.
const (
	maxLeakRows = 200
	// restLeast is how long a stretch at rest must last to be mentioned at all.
	restLeast = time.Minute
	// sagLeast is how far apart two moments must be to be set against each other.
	sagLeast = time.Minute
	// jumpLeast is how far a height must jump between two samples to look like a moved linkage.
	jumpLeast  = 3.0 // mm
	jumpWithin = time.Second
	kelvin     = 273.15
	seconds    = 1e9
)

// airLog follows the air while nobody touches it: leaks at rest, and moments of quiet standing.
type airLog struct {
	rows     []LeakRow
	corners  [5]*airCorner
	epoch    capture.Stamp
	gatherer *sag.Gatherer
	index    [5]int // place of a corner in the gatherer, -1 for none
	subjects []decode.Corner
	sags     []SagRow
	First    sag.Moment
	Last     sag.Moment
	moments  bool
	stood    capture.Stamp // since when it has stood without a break
	driven   capture.Stamp // last time that it was driven or levelled, 0 for never
	gap      bool
}

// airCorner is the leak window of one corner.
type airCorner struct {
	window *leak.Window
	regime leak.Regime
	since  capture.Stamp // of the present stretch at rest
	shift  float64       // mm added to heights, fixed for the stretch
	design bool          // heights are over design then
	filled bool          // a fill came since the last bleed
	last   Reading       // of height
	jump   float64
}

func newAirLog(v *Vehicle) airLog {
	a := airLog{}
	for i := range a.index {
		a.index[i] = -1
	}
	stepPa, stepMM := 0.0, 0.0
	for _, id := range decode.Corners {
		c := v.corners[id]
		if !c.onAir || c.pressure == nil {
			continue
		}
		setup := leak.Setup{Spring: c.gas(), StepPa: c.pressure.q * paPerBar, SettleS: c.settle(v.limits.Get(LimitSettle, id))}
		stepPa = max(stepPa, setup.StepPa)
		if c.height != nil {
			setup.StepMM = c.height.q
			stepMM = max(stepMM, setup.StepMM)
		}
		a.corners[id] = &airCorner{window: leak.New(setup)}
		a.index[id] = len(a.subjects)
		a.subjects = append(a.subjects, id)
	}
	if len(a.subjects) > 0 {
		a.gatherer = sag.NewGatherer(len(a.subjects), stepPa, stepMM)
	}
	return a
}

// s returns a stamp on the clock of the estimators.
func (a *airLog) s(at capture.Stamp) float64 {
	if a.epoch == 0 {
		a.epoch = at
	}
	return float64(at-a.epoch) / seconds
}

// at is the inverse of s.
func (a *airLog) at(s float64) capture.Stamp { return a.epoch + capture.Stamp(s*seconds) }

func (a *airLog) observe(v *Vehicle, r Reading) {
	if a.gatherer == nil {
		return
	}
	t := a.s(r.At)
	switch r.Quantity {
	case decode.Pressure:
		a.pressure(r, t)
	case decode.Height:
		a.height(v, r, t)
	case decode.AmbientTemperature:
		a.gatherer.Ambient(t, r.Value+kelvin)
		a.each(func(c *airCorner) { c.window.Ambient(t, r.Value+kelvin) })
	case decode.BarometricPressure:
		a.gatherer.Barometer(t, r.Value*paPerBar)
		a.each(func(c *airCorner) { c.window.Barometer(t, r.Value*paPerBar) })
	case decode.VehicleSpeed:
		if r.Value >= standingSpeed {
			a.driven = r.At
			a.disturb(v, r.At)
		}
	case decode.Compressor, decode.Valve:
		if s := r.State(); s == "on" || s == "open" {
			a.driven = r.At
			a.disturb(v, r.At)
		}
	}
}

func (a *airLog) each(do func(*airCorner)) {
	for _, c := range a.corners {
		if c != nil {
			do(c)
		}
	}
}

func (a *airLog) pressure(r Reading, t float64) {
	c := a.corners[r.Corner]
	if c == nil {
		return
	}
	c.window.Pressure(t, r.Value*paPerBar)
	a.gatherer.Pressure(a.index[r.Corner], t, r.Value*paPerBar)
}

func (a *airLog) height(v *Vehicle, r Reading, t float64) {
	c := a.corners[r.Corner]
	if c == nil {
		return
	}
	if c.last.sensor != nil && v.phase == Standing && r.At.Sub(c.last.At) <= jumpWithin {
		if d := c.last.Value - r.Value; abs(d) >= jumpLeast {
			c.jump += d
		}
	}
	c.last = r
	c.window.Height(t, r.Value+c.shift)
	a.gatherer.Height(a.index[r.Corner], t, r.Value)
}

// disturb ends every stretch at rest.
func (a *airLog) disturb(v *Vehicle, at capture.Stamp) {
	for _, id := range a.subjects {
		a.restart(v, id, at)
	}
	a.gatherer.Disturb(a.s(at))
}

// restart judges a corner's stretch at rest and begins the next.
func (a *airLog) restart(v *Vehicle, id decode.Corner, at capture.Stamp) {
	c := a.corners[id]
	if c == nil {
		return
	}
	a.judge(v, id, at)
	c.since = at
	c.shift, c.design = 0, false
	if shift, ok := v.overDesign(v.corners[id]); ok {
		c.shift, c.design = shift, true
	}
	c.window.Restart(a.s(at))
}

// judge adds a row for a stretch at rest that is worth a word: one long enough for an answer, or a
// pause between fill and descent, which is where a leak check belongs.
func (a *airLog) judge(v *Vehicle, id decode.Corner, at capture.Stamp) {
	c := a.corners[id]
	if c.regime == leak.UnknownRegime || c.since == 0 || at.Sub(c.since) < restLeast || len(a.rows) == maxLeakRows {
		return
	}
	e := c.window.Evaluate(a.conditions(v, id))
	if e.Outcome == leak.CannotTell && !e.HasRate && !(c.filled && c.regime == leak.Hanging) {
		return
	}
	from := c.since
	if e.ToS > e.FromS {
		from = a.at(e.FromS)
	}
	a.rows = append(a.rows, LeakRow{Corner: id, Start: from, End: at, Estimate: e})
}

func (a *airLog) conditions(v *Vehicle, id decode.Corner) leak.Conditions {
	c := a.corners[id]
	cond := leak.Conditions{Regime: c.regime, Driven: a.driven != 0 && v.now.Sub(a.driven) <= drivenFor}
	if c.design {
		cond.Height = leak.OverDesign
	}
	if l := v.limits.Get(LimitLeak, id); l.Known {
		cond.LimitMlMin = l.Value
	}
	for _, other := range a.subjects {
		o := a.corners[other]
		if other == id || o.regime != c.regime {
			continue
		}
		same := leak.Conditions{Regime: o.regime}
		if o.design {
			same.Height = leak.OverDesign
		}
		if t, ok := o.window.Trend(same); ok {
			t.SameAxle = axleOf(other) == axleOf(id)
			cond.Others = append(cond.Others, t)
		}
	}
	return cond
}

func (a *airLog) happen(v *Vehicle, h Happening) {
	if a.gatherer == nil {
		return
	}
	switch h.Kind {
	case PhaseChanged:
		a.phase(v, h)
	case AirStep:
		if c := a.corners[h.Corner]; c != nil {
			c.filled = h.Move.Fill
			a.restart(v, h.Corner, h.At)
			a.gatherer.Disturb(a.s(h.At))
		}
	case CornerClosing, CornerReturn:
		a.restart(v, h.Corner, h.At)
	case RequestMade, RunEnded:
		for _, id := range requestCorners(h) {
			if c := a.corners[id]; c != nil && h.Request != nil && h.Request.Accepted() && !h.Request.Stop {
				c.filled = h.Request.Stage == StageFill
			}
			a.restart(v, id, h.At)
		}
		a.gatherer.Disturb(a.s(h.At))
	case SignalGap:
		if h.Quantity == decode.Pressure {
			a.gap = true
			a.restart(v, h.Corner, h.At)
		}
	case MarkSet:
		a.mark(v, h.Mark)
	}
}

func requestCorners(h Happening) []decode.Corner {
	if h.Request != nil {
		return h.Request.Corners
	}
	return h.Run.Corners
}

func (a *airLog) mark(v *Vehicle, m *Mark) {
	switch m.Name {
	case MarkTape, MarkNote, MarkTakeBack, MarkFirstContact:
		return
	}
	for _, c := range v.meant(m) {
		a.restart(v, c.id, m.At)
		if m.Name == MarkLineOpen && a.corners[c.id] != nil {
			a.corners[c.id].filled = false
		}
	}
}

// phase ends and begins the stretches of the whole body.
func (a *airLog) phase(v *Vehicle, h Happening) {
	switch h.From {
	case Standing:
		a.explain(v, h.At)
		a.stood = 0
	case PhaseUnknown:
		a.keepMoments()
	}
	a.disturb(v, h.At)
	regime := leak.UnknownRegime
	switch h.To {
	case Hanging:
		regime = leak.Hanging
	case Standing:
		regime = leak.Standing
		a.stood = h.At
		a.gatherer = a.fresh(v)
		a.each(func(c *airCorner) { c.jump = 0 })
	}
	a.each(func(c *airCorner) { c.regime = regime })
}

// fresh returns a gatherer that knows nothing of an earlier stretch of standing but the air around.
func (a *airLog) fresh(v *Vehicle) *sag.Gatherer {
	stepPa, stepMM := 0.0, 0.0
	for _, id := range a.subjects {
		c := v.corners[id]
		stepPa = max(stepPa, c.pressure.q*paPerBar)
		if c.height != nil {
			stepMM = max(stepMM, c.height.q)
		}
	}
	g := sag.NewGatherer(len(a.subjects), stepPa, stepMM)
	t := a.s(v.now)
	if s := v.sensors[decode.AmbientTemperature]; s != nil && s.seen {
		g.Ambient(t, s.last.Value+kelvin)
	}
	if s := v.sensors[decode.BarometricPressure]; s != nil && s.seen {
		g.Barometer(t, s.last.Value*paPerBar)
	}
	return g
}

// keepMoments keeps the first and the last quiet moment of the present stretch, and reports whether
// there is one. A vehicle that nobody saw hang stands, as far as two sessions are compared, however far
// it has sunk: that is what one asks about.
func (a *airLog) keepMoments() bool {
	first, ok := a.gatherer.First()
	last, ok2 := a.gatherer.Latest()
	if ok && ok2 {
		a.First, a.Last, a.moments = first, last, true
	}
	return ok && ok2
}

// explain sets the first and the last quiet moment of a stretch of standing against each other.
func (a *airLog) explain(v *Vehicle, at capture.Stamp) {
	if !a.keepMoments() {
		return
	}
	first, last := a.First, a.Last
	a.tape(v, &first, &last)
	if last.FromS-first.ToS < sagLeast.Seconds() {
		return
	}
	ctx := sag.Context{HistoryS: first.FromS - a.s(v.start), Gap: a.gap}
	ctx.Driven = a.driven != 0 && a.at(first.FromS).Sub(a.driven) <= drivenFor
	for _, id := range a.subjects {
		ctx.Subjects = append(ctx.Subjects, a.subject(v, id))
	}
	for i, s := range sag.Explain(first, last, ctx) {
		if s.HasDrop {
			a.sags = append(a.sags, SagRow{Corner: a.subjects[i], Start: a.at(first.ToS), End: a.at(last.FromS), Sag: s})
		}
	}
}

// subject says what is known of a corner besides the moments.
func (a *airLog) subject(v *Vehicle, id decode.Corner) sag.Subject {
	c := v.corners[id]
	s := sag.Subject{Name: id.String(), Spring: c.gas(), OverDesign: c.height != nil && c.height.signal.Reference == decode.Design,
		JumpMM: a.corners[id].jump, ToleranceMM: v.limits.Get(LimitHeightTolerance, id).Value}
	for _, p := range append([]decode.Corner{id.Opposite()}, c.circuit...) {
		if a.index[p] >= 0 {
			s.Partners = append(s.Partners, a.index[p])
		}
	}
	if want, ok := v.series(id); ok {
		s.SeriesMM, s.SeriesTape = sag.Measured{Value: want, U: tapeU, Known: true}, true
	}
	return s
}

// tape gives the moments the tape readings of this stretch of standing: the first one of each corner
// to the first moment, the last one to the last.
func (a *airLog) tape(v *Vehicle, first, last *sag.Moment) {
	for i, id := range a.subjects {
		var taped []*Mark
		for _, m := range v.marks.all {
			if !m.taken && m.Name == MarkTape && m.Corner == id && m.At >= a.stood && m.At <= v.now {
				taped = append(taped, m)
			}
		}
		if len(taped) < 2 {
			continue
		}
		from, to := taped[0], taped[len(taped)-1]
		first.Corners[i].TapeMM = sag.Measured{Value: from.TapeMM, U: tapeU, Known: true}
		last.Corners[i].TapeMM = sag.Measured{Value: to.TapeMM, U: tapeU, Known: true}
	}
}

func (a *airLog) finish(v *Vehicle) {
	if a.gatherer == nil {
		return
	}
	for _, id := range a.subjects {
		a.judge(v, id, v.now)
	}
	switch v.phase {
	case Standing:
		a.explain(v, v.now)
	case PhaseUnknown:
		a.keepMoments()
	}
}

// Leaks returns what the stretches at rest say about the air. Call it after Finish.
func (j *Judge) Leaks() []LeakRow { return j.air.rows }

// Sags returns why the corners sank while the vehicle stood. Call it after Finish.
func (j *Judge) Sags() []SagRow { return j.air.sags }

// moment returns a quiet moment with the tape readings of its stretch of standing, and whether there
// is one: the first of the session's last stretch, or the last.
func (a *airLog) moment(last bool) (sag.Moment, bool) {
	if last {
		return a.Last, a.moments
	}
	return a.First, a.moments
}

// SagBetween sets the last quiet moment of one session against the first of a later one of the same
// vehicle, and splits what each corner sank. It reports false where one of them has none.
func SagBetween(before, after *Judge) ([]SagRow, bool) {
	first, ok := before.air.moment(true)
	last, ok2 := after.air.moment(false)
	if !ok || !ok2 || len(before.air.subjects) != len(after.air.subjects) {
		return nil, false
	}
	a, b := &before.air, &after.air
	start, end := a.at(first.ToS), b.at(last.FromS)
	// Both moments on one clock: that of the earlier session.
	last.FromS, last.ToS = a.s(end), a.s(b.at(last.ToS))
	ctx := sag.Context{HistoryS: first.FromS - a.s(before.vehicle.start), Gap: true,
		Driven: a.driven != 0 && start.Sub(a.driven) <= drivenFor}
	for _, id := range b.subjects {
		ctx.Subjects = append(ctx.Subjects, b.subject(after.vehicle, id))
	}
	var rows []SagRow
	for i, s := range sag.Explain(first, last, ctx) {
		rows = append(rows, SagRow{Corner: b.subjects[i], Start: start, End: end, Sag: s})
	}
	return rows, true
}

// drivenFor is how long after driving, levelling or filling the springs may still be warm.
const drivenFor = 2 * time.Hour
