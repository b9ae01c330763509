package sag

import (
	"math"
	"slices"

	"ridewitness/safety/airspring"
)

// Uncertainties and thresholds. u are standard uncertainties, intervals reach two of them.
const (
	heightU            = 1.0  // mm; stiction, doors, people: common practice, no source
	heightUndisturbedU = 0.3  // mm, within one recording
	tapeU              = 1.0  // mm; common practice, no source
	sensorLeast        = 3.0  // mm by which tape and signal must disagree
	loadLeastPa        = 3e3  // u of a difference of standing pressures
	temperatureU       = 1.0  // K, ambient steady
	temperatureLooseU  = 3.0  // K, else
	temperatureNoneU   = 15.0 // K, not recorded
	historyS           = 7200.0
	historyK           = 10.0 // K that a spring may be above the air around after driving, from memory
	ratioU             = 0.05 // relative, of V/A from a card that gives volume and motion ratio
	ratioLooseU        = 0.10 // else
	heightUnknownMM    = 20.0 // how well a standing vehicle keeps its design height, from memory
	twistMM            = 10.0 // uneven floors; common practice, no source
)

// work is one corner while it is being explained.
type work struct {
	*Subject
	before, after State
	t0, t1        Measured // gas temperatures, K; not Known: a guess
	p0, p1        Measured // absolute, Pa
	drop          float64
	dropU         float64
	v0, areaM2    float64
	shaped        bool // volume and area known
	ratioU        float64
	parts         []part
	rest          float64 // mm that are left for air that went away
	restU         float64
	lostKg, lostU float64
	crossMM       float64
	crossU        float64
	crossWith     string
	notes         []string
}

// part is one cause with its interval still in one piece.
type part struct {
	kind      Kind
	mm, u     float64
	low, high float64 // beyond 2 u: how far convention or history reach
	joint     bool
	note      string
}

// Explain splits each corner's drop between two moments. It returns one Corner for each of
// ctx.Subjects, in their order.
func Explain(before, after Moment, ctx Context) []Corner {
	works := make([]work, len(ctx.Subjects))
	for i := range works {
		w := &works[i]
		w.Subject = &ctx.Subjects[i]
		w.before, w.after = stateOf(before, i), stateOf(after, i)
		w.prepare(before, after, ctx)
	}
	for i := range works {
		works[i].first(ctx)
	}
	cross(works)
	corners := make([]Corner, len(works))
	for i := range works {
		corners[i] = works[i].finish(ctx)
	}
	hintTwist(corners, works)
	redistribution(corners, works)
	for i := range corners {
		corners[i].Sentence = sentence(corners[i], works[i])
	}
	return corners
}

// stateOf returns the corner's state, unknown where the moment does not hold it.
func stateOf(m Moment, i int) State {
	if i < len(m.Corners) {
		return m.Corners[i]
	}
	return State{}
}

// usable returns m if it is a number, else unknown.
func usable(m Measured) Measured {
	if !m.Known || !finite(m.Value, m.U) || m.U < 0 {
		return Measured{}
	}
	return m
}

// prepare turns what was measured into what the gas law takes.
func (w *work) prepare(before, after Moment, ctx Context) {
	for _, s := range []*State{&w.before, &w.after} {
		s.HeightMM, s.GaugePa, s.TapeMM = usable(s.HeightMM), usable(s.GaugePa), usable(s.TapeMM)
	}
	w.t0, w.t1 = temperature(before, ctx), temperature(after, ctx)
	w.p0, w.p1 = absolute(w.before.GaugePa, before), absolute(w.after.GaugePa, after)
	u := heightU
	if ctx.Undisturbed {
		u = heightUndisturbedU
	}
	w.drop = w.before.HeightMM.Value - w.after.HeightMM.Value
	w.dropU = root(w.before.HeightMM.U, w.after.HeightMM.U, u, u)
	w.ratioU = ratioLooseU
	if w.Spring.MotionKnown && w.OverDesign {
		w.ratioU = ratioU
	}
	height := 0.0
	if w.OverDesign {
		height = w.before.HeightMM.Value
	}
	var okArea, okVolume bool
	w.areaM2, okArea = w.Spring.HeightArea()
	w.v0, okVolume = w.Spring.VolumeAt(height)
	w.shaped = okArea && okVolume
	if w.shaped && !w.OverDesign {
		w.ratioU = math.Hypot(w.ratioU, w.areaM2*heightUnknownMM/1000/w.v0)
	}
}

// temperature takes the air around for the gas, K, with what that may be wrong by. Without a signal
// it is a guess of 20 degC that is not Known.
func temperature(m Moment, ctx Context) Measured {
	t := usable(m.AmbientK)
	if !t.Known || !(t.Value > 100 && t.Value < 400) {
		return Measured{Value: 293.15, U: temperatureNoneU}
	}
	u := temperatureLooseU
	if ctx.AmbientHeld {
		u = temperatureU
	}
	t.U = math.Hypot(t.U, u)
	return t
}

// absolute adds the pressure of the air around, Pa. Without a barometer that is sea level: a mistake
// of altitude is the same at both moments and all but cancels in their ratio.
func absolute(gauge Measured, m Moment) Measured {
	around := usable(m.BarometerPa)
	if !around.Known || !(around.Value > 30e3 && around.Value < 120e3) {
		around = Measured{Value: airspring.StandardPressurePa, Known: true}
	}
	gauge.Value += around.Value
	gauge.Known = gauge.Known && gauge.Value > 0
	return gauge
}

// known reports whether there is a drop to explain.
func (w *work) known() bool { return w.before.HeightMM.Known && w.after.HeightMM.Known }

// onStop reports that the spring's volume is not known at one of the moments.
func (w *work) onStop() bool { return w.before.OnStop || w.after.OnStop }

// split reports whether the drop can be split by the gas law.
func (w *work) split() bool { return w.known() && !w.onStop() && w.shaped }

// first takes off what comes before air that went away: sensor, commanded, load, cooling.
func (w *work) first(ctx Context) {
	if !w.known() || w.onStop() {
		return
	}
	w.rest, w.restU = w.drop, w.dropU
	w.sensor()
	if !w.shaped {
		return
	}
	w.commanded()
	w.load()
	w.cooling()
	if w.p1.Known {
		perMM := w.areaM2 * w.p1.Value / (airspring.GasConstant * w.t1.Value) / 1000
		w.lostKg, w.lostU = w.rest*perMM, w.restU*perMM
	}
}

// take counts a part and leaves the rest with its uncertainty.
func (w *work) take(p part) {
	w.parts = append(w.parts, p)
	w.rest -= p.mm
	w.restU = math.Hypot(w.restU, p.u)
}

// sensor holds the signal against the tape, or takes a jump between two samples.
func (w *work) sensor() {
	t0, t1 := w.before.TapeMM, w.after.TapeMM
	switch {
	case t0.Known && t1.Known:
		mm := w.drop - (t0.Value - t1.Value)
		u := root(max(t0.U, tapeU), max(t1.U, tapeU), w.before.HeightMM.U, w.after.HeightMM.U)
		if math.Abs(mm) > max(sensorLeast, 2*u) {
			w.take(part{kind: Sensor, mm: mm, u: u, note: "the tape does not show it"})
		}
	case math.Abs(w.JumpMM) >= sensorLeast && finite(w.JumpMM):
		w.take(part{kind: Sensor, mm: w.JumpMM, u: heightUndisturbedU, note: "the signal jumped, the pressure did not"})
	default:
		w.notes = append(w.notes, "if the height sensor has not moved")
	}
}

// bodyDrop is the drop without the sensor's part.
func (w *work) bodyDrop() float64 {
	d := w.drop
	for _, p := range w.parts {
		if p.kind == Sensor {
			d -= p.mm
		}
	}
	return d
}

// commanded takes off what air let in or out on request did, at the pressure and the temperature
// after.
func (w *work) commanded() {
	kg := usable(w.CommandedKg)
	if !kg.Known || kg.Value == 0 || !w.p1.Known {
		return
	}
	perKg, ok := w.Spring.SinkPerKg(w.p1.Value, w.t1.Value)
	if !ok {
		return
	}
	w.take(part{kind: Commanded, mm: -kg.Value * perKg, u: math.Hypot(kg.U*perKg, w.ratioU*kg.Value*perKg),
		note: "air let in or out on request"})
}

// load takes what a changed standing pressure says, counted on the volume before.
func (w *work) load() {
	if !w.p0.Known || !w.p1.Known {
		return
	}
	mmPerPa := w.v0 / (w.areaM2 * w.p1.Value) * 1000
	measured := math.Hypot(w.p0.U, w.p1.U)
	if math.Abs(w.p1.Value-w.p0.Value) <= 2*max(measured, loadLeastPa) {
		w.restU = math.Hypot(w.restU, mmPerPa*measured)
		return
	}
	mm := w.v0 * (1 - w.p0.Value/w.p1.Value) / w.areaM2 * 1000
	w.take(part{kind: Load, mm: mm, u: math.Hypot(mmPerPa*max(measured, loadLeastPa), w.ratioU*mm)})
}

// cooling counts the fall of temperature on the volume before, at constant load. Its interval
// reaches to what counting it last would give, on the volume after.
func (w *work) cooling() {
	perKelvin := w.v0 / (w.areaM2 * w.t0.Value) * 1000
	u := perKelvin * math.Hypot(w.t0.U, w.t1.U)
	if !w.t0.Known || !w.t1.Known {
		w.take(part{kind: Cooling, u: u, joint: true, note: "no temperature at one of the moments"})
		return
	}
	mm := w.v0 * (1 - w.t1.Value/w.t0.Value) / w.areaM2 * 1000
	v1 := w.v0 - w.areaM2*w.bodyDrop()/1000
	last := v1 * (w.t0.Value/w.t1.Value - 1) / w.areaM2 * 1000
	w.take(part{kind: Cooling, mm: mm, u: math.Hypot(u, w.ratioU*mm), low: min(0, last-mm), high: max(0, last-mm)})
}

// cross finds pairs of partners of which one gained what the other lost.
func cross(works []work) {
	for i := range works {
		for _, j := range works[i].Partners {
			if j >= 0 && j < len(works) && j != i && flowsOver(&works[i], &works[j]) {
				crossOver(&works[i], &works[j])
			}
		}
	}
}

// flowsOver reports whether air went from one corner to the other: one lost and the other gained
// beyond doubt, no air came from nowhere, and it flowed from the higher to the lower pressure.
func flowsOver(from, to *work) bool {
	if from.crossWith != "" || to.crossWith != "" || !from.split() || !to.split() || !from.p1.Known || !to.p1.Known {
		return false
	}
	sum, u := from.lostKg+to.lostKg, math.Hypot(from.lostU, to.lostU)
	downhill := from.p0.Value-to.p0.Value >= -2*math.Hypot(from.p0.U, to.p0.U)
	return from.lostKg > 2*from.lostU && to.lostKg < -2*to.lostU && sum > -2*u && downhill && from.p0.Known && to.p0.Known
}

// crossOver books the smaller of the two masses at both corners. The millimetres differ, since the
// same air lifts the lighter corner further.
func crossOver(from, to *work) {
	kg := min(from.lostKg, -to.lostKg)
	from.crossMM, from.crossU = from.rest*kg/from.lostKg, from.restU
	to.crossMM, to.crossU = -to.rest*kg/to.lostKg, to.restU
	from.crossWith, to.crossWith = to.Name, from.Name
}

// finish names what is left and puts the corner together.
func (w *work) finish(ctx Context) Corner {
	c := Corner{Name: w.Name}
	if !w.known() {
		c.Note = "no height at one of the moments"
		return c
	}
	c.HasDrop = true
	c.DropMM = around(w.drop, w.dropU)
	c.BodyMM = around(w.bodyDrop(), w.dropU)
	c.MassKg = w.masses()
	if w.onStop() {
		c.Note = "on its bump stop: the millimetres can't be split"
		return c
	}
	if !w.shaped {
		w.parts = append(w.parts, part{kind: Unexplained, mm: w.rest, u: w.restU, note: "no volume or no area on the card"})
		c.close(w)
		return c
	}
	w.gone(ctx)
	w.underFilled()
	if ctx.Gap {
		w.notes = append(w.notes, "nobody recorded the time between")
	}
	c.close(w)
	return c
}

// around is a value with an interval of two standard uncertainties.
func around(mm, u float64) airspring.Range {
	return airspring.Range{Value: mm, Low: mm - 2*u, High: mm + 2*u}
}

// masses returns the air before and after, by m = p V/(R T); 0 where something for it is missing.
func (w *work) masses() (kg [2]float64) {
	if !w.shaped || !w.p0.Known || !w.p1.Known || !w.t0.Known || !w.t1.Known || w.onStop() {
		return kg
	}
	kg[0], _ = airspring.Mass(w.p0.Value, w.v0, w.t0.Value)
	kg[1], _ = airspring.Mass(w.p1.Value, w.v0-w.areaM2*w.bodyDrop()/1000, w.t1.Value)
	return kg
}

// gone names the air that went away: over to a partner, or leaked, or a rest that nothing explains.
func (w *work) gone(ctx Context) {
	defer w.history(ctx)
	left := w.rest
	if w.crossWith != "" {
		p := part{kind: CrossFlow, mm: w.crossMM, u: w.crossU, note: "to " + w.crossWith}
		if w.crossMM < 0 {
			p.note = "from " + w.crossWith
		}
		w.parts = append(w.parts, p)
		left -= w.crossMM
	}
	// Adding and taking off leaves dust; below a micrometre nothing is left.
	if math.Abs(left) < 1e-3 {
		return
	}
	leak := part{kind: Leak, mm: left, u: w.restU}
	if left <= 2*w.restU && !w.doubtful(ctx) {
		leak.kind, leak.note = Unexplained, "within the uncertainty"
		if left < -2*w.restU {
			leak.note = "it gained air and no partner lost any"
		}
	}
	w.parts = append(w.parts, leak)
	w.join(ctx)
}

// doubtful says that cooling can't be told from a leak, whatever the numbers.
func (w *work) doubtful(ctx Context) bool {
	return ctx.Driven || !w.t0.Known || !w.t1.Known || !w.p0.Known || !w.p1.Known
}

// history stretches cooling and leak where nobody knows whether the vehicle had been driven.
func (w *work) history(ctx Context) {
	if ctx.HistoryS >= historyS || ctx.Driven {
		return
	}
	mm := historyK * w.v0 / (w.areaM2 * w.t0.Value) * 1000
	for i := range w.parts {
		switch p := &w.parts[i]; p.kind {
		case Cooling:
			p.high += mm
		case Leak:
			p.low -= mm
			if p.joint {
				continue
			}
			p.note = "if the vehicle had been driven, part of this is cooling"
		}
	}
}

// join makes cooling and leak, or load and leak, one where each alone could explain both.
func (w *work) join(ctx Context) {
	leak := w.find(Leak)
	if leak == nil {
		return
	}
	other, why := w.find(Cooling), "cooling and leak can't be told apart"
	if other == nil {
		return
	}
	sum := other.mm + leak.mm
	each := other.mm+2*other.u+other.high >= sum-2*w.dropU && leak.mm+2*leak.u+leak.high >= sum-2*w.dropU
	switch {
	case ctx.Driven:
		why = "it was driven before: the springs were warmer than the air around"
	case other.joint:
		why = other.note
	case !w.p0.Known || !w.p1.Known:
		// Cooling is known here; it is the rest that a load explains as well as a leak.
		if sum = leak.mm; sum > 0 {
			w.parts = append(w.parts, part{kind: Load})
			leak, other = w.find(Leak), w.find(Load)
		}
		why = "no pressure at one of the moments: load and leak can't be told apart"
	case !each:
		return
	}
	if sum <= 0 {
		leak.kind, leak.joint, other.joint = Unexplained, false, false
		return
	}
	half := part{mm: sum / 2, u: w.dropU, joint: true, note: why}
	kind := other.kind
	*leak, *other = half, half
	leak.kind, other.kind = Leak, kind
}

// find returns the part of that kind, nil where there is none.
func (w *work) find(k Kind) *part {
	for i := range w.parts {
		if w.parts[i].kind == k {
			return &w.parts[i]
		}
	}
	return nil
}

// underFilled says by how much the corner was low already at the first moment. It is no part of
// the drop.
func (w *work) underFilled() {
	series := usable(w.SeriesMM)
	h := w.before.HeightMM
	if w.SeriesTape {
		h = w.before.TapeMM
		h.U = max(h.U, tapeU)
	}
	if !series.Known || !h.Known {
		return
	}
	low, u := series.Value-h.Value, math.Hypot(series.U, h.U)
	if low > w.ToleranceMM+2*u {
		w.parts = append(w.parts, part{kind: UnderFilled, mm: low, u: u, note: "low before already; no part of the drop"})
	}
}

// close turns parts into causes, the largest first.
func (c *Corner) close(w *work) {
	total, together := 0.0, 0.0
	for _, p := range w.parts {
		if p.kind != UnderFilled {
			total += math.Abs(p.mm)
		}
		if p.joint {
			together += p.mm
		}
	}
	for _, p := range w.parts {
		cause := Cause{Cause: p.kind, MM: p.mm, LowMM: p.mm - 2*p.u + p.low, HighMM: p.mm + 2*p.u + p.high,
			Joint: p.joint, Note: p.note}
		if p.joint {
			cause.LowMM, cause.HighMM = 0, together+2*p.u
		}
		if total > 0 && p.kind != UnderFilled {
			cause.Weight = math.Abs(p.mm) / total
		}
		c.Causes = append(c.Causes, cause)
	}
	slices.SortStableFunc(c.Causes, func(a, b Cause) int {
		switch x, y := math.Abs(a.MM), math.Abs(b.MM); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	c.Note = joinNotes(c.Note, w.notes...)
}

// root adds independent uncertainties: the root of the sum of squares.
func root(values ...float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v * v
	}
	return math.Sqrt(sum)
}
