package leak

import (
	"fmt"
	"math"

	"ridewitness/safety/airspring"
)

// How long a window must be, s, for an answer. Six means of a short window may lie on a line by
// chance (1 wrong 'tight' in 26 400 windows of 5 min and more, by simulation), so 'tight' needs
// more.
const (
	leastS      = 300.0
	leastTightS = 600.0
	mostS       = 12 * 3600.0 // what waiting for an answer may cost
	confidence  = 0.95
)

// Evaluate says what the window tells now. It may be called at any time; the cost does not depend
// on the length of the window.
func (w *Window) Evaluate(c Conditions) Estimate {
	e := Estimate{Regime: c.Regime, Confidence: confidence}
	if finite(c.LimitMlMin) {
		e.LimitMlMin = max(c.LimitMlMin, 0)
	}
	s, reason := w.stretch(c)
	if s.hi == s.lo {
		return e.refuse(reason, w.wait())
	}
	e.FromS = w.from + float64(s.lo)*w.blockS
	e.ToS = e.FromS + s.seconds()
	e.Dropped = w.pressure.dropped + w.height.dropped
	m := s.mass()
	e.take(s, m)
	if reason != "" {
		return e.refuse(reason, nil)
	}
	e.HasRate = s.rated(m)
	if !e.HasRate {
		return e.refuse(s.noRate(), nil)
	}
	d := w.drift(s, c)
	e.width(s, m, d)
	e.sag(w, s, c)
	e.decide(s, m, c, d)
	return e
}

// refuse ends an evaluation without an answer.
func (e Estimate) refuse(why Reason, needs *float64) Estimate {
	e.Outcome, e.Reason, e.NeedsS = CannotTell, why, needs
	e.Note = notes[why]
	if why == NoVolume && e.HasSlope && e.PaPerS.High < 0 {
		e.Note += "; the pressure is falling"
	}
	return e
}

var notes = map[Reason]string{
	TooShort:      "the check has not run long enough",
	StillSettling: "the pressure has not settled yet",
	NoVolume:      "no volume on the card: no rate",
	NoHeight:      "standing, only the height tells, and there is none",
	NoArea:        "no effective area on the card: no rate",
	NoLimit:       "no limit on the card to hold the rate against",
	NoRegime:      "it is not known whether the corner hangs or stands",
	PressureRises: "it gains air or warms: nothing is said about a leak",
	HeightMoved:   "the height changed while hanging",
	BadSamples:    "too many readings can't be",
	GapInside:     "a part of the window has few readings",
	NeverMoved:    "the reading never changed; it may be frozen",
}

// wait returns how much longer it takes to the least window that may say 'tight'.
func (w *Window) wait() *float64 {
	now := w.from - w.setup.SettleS
	if w.pressure.seen {
		now = max(now, w.pressure.last.t)
	}
	needs := roundUp(w.from + leastTightS - now)
	if !w.started {
		needs = roundUp(w.setup.SettleS + leastTightS)
	}
	return &needs
}

// roundUp gives whole minutes: an estimate of a wait is no better than that.
func roundUp(s float64) float64 { return math.Ceil(max(s, 0)/60) * 60 }

// stretch finds the part of the window to use: all of it, or what is left after dropping fifths
// from its start until both halves agree. With a reason the stretch, if any, is good for a
// pressure slope only.
func (w *Window) stretch(c Conditions) (stretch, Reason) {
	if c.Regime != Hanging && c.Regime != Standing && c.Regime != BumpStop {
		return stretch{}, NoRegime
	}
	all := stretch{w: w, hi: len(w.blocks), regime: c.Regime}
	if !w.pressure.kept || all.seconds() < leastS {
		return stretch{}, TooShort
	}
	if why := all.usable(); why != "" {
		return stretch{}, why
	}
	all.gas = w.gasOf(0, all.hi, c)
	if why := all.doubt(); why != "" {
		return all, why
	}
	for s := all; s.seconds() >= leastS && s.usable() == ""; s.lo += max(1, (s.hi-s.lo)/5) {
		if s.settled() {
			return s, ""
		}
	}
	return all, StillSettling
}

// usable checks that every block has enough samples.
func (s stretch) usable() Reason {
	parts := s.parts(2 * blockMeans)
	picks := []pick{pressureOf}
	if s.regime == Standing {
		picks = append(picks, heightOf)
	}
	for _, of := range picks {
		total := 0
		for i := range parts {
			total += of(&parts[i]).n
		}
		if total == 0 {
			return NoHeight
		}
		for i := range parts {
			n := of(&parts[i]).n
			if 2*n*len(parts) < total {
				return GapInside
			}
			if n < samplesLeast/2 {
				return TooShort
			}
		}
	}
	return ""
}

// doubt names what speaks against the samples themselves.
func (s stretch) doubt() Reason {
	all := s.part(0, 1)
	w := s.w
	bad := float64(w.pressure.dropped + w.pressure.bad)
	if bad > outlierMost*(float64(all.pressure.n)+bad) {
		return BadSamples
	}
	if s.regime == Standing {
		bad = float64(w.height.dropped + w.height.bad)
		if bad > outlierMost*(float64(all.height.n)+bad) {
			return BadSamples
		}
		if w.height.smallest == 0 && w.pressure.smallest == 0 {
			return NeverMoved
		}
		return ""
	}
	if w.pressure.smallest == 0 {
		return NeverMoved
	}
	if s.regime == Hanging && s.heightRange() > moveMost+w.height.q() {
		return HeightMoved
	}
	return ""
}

// heightRange returns how far the block means of the height lie apart, mm.
func (s stretch) heightRange() float64 {
	var r span
	for _, b := range s.parts(blockMeans) {
		if b.height.n > 0 {
			r.add(b.height.mean().x)
		}
	}
	return r.width()
}

// noRate says why a slope is no rate.
func (s stretch) noRate() Reason {
	if s.regime == Standing && s.gas.volumeKnown && !s.gas.areaKnown {
		return NoArea
	}
	return NoVolume
}

// take fills in what the regression gives.
func (e *Estimate) take(s stretch, m massSlope) {
	p := m.pressure
	e.HasSlope = true
	e.PaPerS = airspring.Range{Value: p.fit.slope, Low: p.fit.slope - p.half(), High: p.fit.slope + p.half()}
	e.MeanPa, e.MeanGauge = p.at.x, p.at.x-s.gas.ambientPa
	e.Dithered = s.dithered(s.main())
}

// rated reports whether the slope is a rate: with a volume, and standing with an area too.
func (s stretch) rated(m massSlope) bool {
	return s.gas.volumeKnown && m.kg > 0 &&
		(s.regime == Hanging || s.regime == Standing && s.gas.areaKnown)
}

// drift returns the drift of the gas temperature to allow for, the other corners heard.
func (w *Window) drift(s stretch, c Conditions) drift {
	d := w.ambient.drift(w.pressure.last.t, s.seconds(), c)
	for _, o := range c.Others {
		if !o.usable() {
			continue
		}
		flat := driftOther + (math.Abs(o.PerS)+o.Half)*s.gas.kelvin*3600
		if o.SameAxle && d.recorded && math.Abs(o.PerS) <= o.Half {
			d.warm, d.cool = min(d.warm, flat), min(d.cool, flat)
		}
	}
	return d.common(c.Others, s.gas.kelvin)
}

// common widens the drift where all others seem to lose or gain together, up to what a warm
// vehicle does by cooling: a common cause is more likely than a common leak.
func (d drift) common(others []Trend, kelvin float64) drift {
	best, found := Trend{}, false
	for _, o := range others {
		if o.usable() && (!found || o.PerS > best.PerS) {
			best, found = o, true
		}
	}
	if !found {
		return d
	}
	falls := -(best.PerS + best.Half) * kelvin * 3600
	if falls > 0 && falls <= driftDriven {
		d.cool += falls
	}
	if rises := (best.PerS - best.Half) * kelvin * 3600; rises > 0 {
		d.warm = max(d.warm, rises+2*best.Half*kelvin*3600+driftOther)
	}
	return d
}

// usable reports whether a trend may be held against a corner. One without an interval may not.
func (o Trend) usable() bool { return o.Settled && o.Half > 0 && finite(o.PerS, o.Half) }

// weatherPaPerS is how fast the barometer may move unseen, 1 hPa/h, from memory: a gauge reading
// moves against it.
const weatherPaPerS = 100.0 / 3600

// width fills in the rate and its interval.
func (e *Estimate) width(s stretch, m massSlope, d drift) {
	perKelvin := m.kg / s.gas.kelvin / 3600 // kg/s for each K/h
	shift, rest := s.follow(m)
	rate := -m.fit.slope + shift
	weather := 0.0
	if s.regime == Hanging {
		weather = m.kg / m.pressure.at.x * weatherPaPerS
	}
	e.Parts = Parts{
		Step: m.step,
		// Six means of a short window lie near a line by chance too often for a claim.
		Noise:     m.noise * math.Sqrt(max(1, leastTightS/s.seconds())),
		DriftWarm: math.Hypot(d.warm*perKelvin+rest, weather),
		DriftCool: math.Hypot(d.cool*perKelvin+rest, weather),
		Scale:     2 * s.scale(m) * math.Abs(rate),
	}
	p := e.Parts
	e.Rate = airspring.Range{
		Value: rate,
		Low:   rate - p.Step - root(p.Noise, p.DriftCool, p.Scale),
		High:  rate + p.Step + root(p.Noise, p.DriftWarm, p.Scale),
	}
}

// root adds independent errors: the root of the sum of squares.
func root(values ...float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v * v
	}
	return math.Sqrt(sum)
}

// follow returns what the temperature around, low-passed, says about the gas where it changed by
// more than half a kelvin: half of it shifts the rate, the other half widens the interval.
func (s stretch) follow(m massSlope) (shift, rest float64) {
	const worthIt = 0.5 // K
	var means []point
	for i, b := range s.parts(blockMeans) {
		if b.wall.n == 0 {
			return 0, 0
		}
		t := (float64(s.lo) + (float64(i)+0.5)*float64(s.hi-s.lo)/blockMeans) * s.w.blockS
		means = append(means, point{t, b.wall.sum / b.wall.n})
	}
	f := straight(means, 0)
	if math.Abs(f.slope)*s.seconds() <= worthIt {
		return 0, 0
	}
	shift = m.kg / s.gas.kelvin * f.slope / 2
	return shift, math.Abs(shift)
}

// scale returns the relative standard uncertainty of the rate's size.
func (s stretch) scale(m massSlope) float64 {
	u := []float64{s.gas.volumeU, s.gas.kelvinU / s.gas.kelvin}
	if s.regime == Standing {
		_, uA := s.w.setup.Spring.Uncertainty()
		u = append(u, uA, s.gas.ambientPaU/m.pressure.at.x)
	}
	return root(u...)
}

// sag fills in how far a standing body would sink in 12 h at this rate. What leaks hanging leaks
// faster standing, by a factor between those of a hole and of a fine crack.
func (e *Estimate) sag(w *Window, s stretch, c Conditions) {
	rate, pa := e.Rate, e.MeanPa
	if s.regime == Hanging {
		if standing, ok := airspring.AtPressure(rate, pa, c.StandingPa, s.gas.ambientPa); ok {
			rate, pa = standing, c.StandingPa
		}
	}
	perKg, ok := w.setup.Spring.SinkPerKg(pa, s.gas.kelvin)
	if !ok {
		return
	}
	mm := rate.Times(perKg * 12 * 3600)
	e.SagMMIn12h = &mm
}

// decide holds the interval against the limit.
func (e *Estimate) decide(s stretch, m massSlope, c Conditions, d drift) {
	if e.LimitMlMin == 0 {
		*e = e.refuse(NoLimit, nil)
		return
	}
	limit := airspring.FromMlMin(e.LimitMlMin)
	switch {
	case e.Rate.Low > limit:
		e.Outcome, e.Bound = Leaking, OwnSlope
	case s.against(m, c.Others) > limit:
		e.Outcome, e.Bound = Leaking, OtherCorner
		e.Rate.Low = s.against(m, c.Others)
		e.Rate.Value, e.Rate.High = max(e.Rate.Value, e.Rate.Low), max(e.Rate.High, e.Rate.Low)
	case e.Rate.High < 0:
		*e = e.refuse(PressureRises, nil)
		return
	case e.Rate.High < limit && s.seconds() >= leastTightS:
		e.Outcome, e.Bound = Tight, OwnSlope
	default:
		e.wait(s.seconds(), limit, d)
		return
	}
	zero := 0.0
	e.NeedsS = &zero
}

// against returns a lower bound of the rate, kg/s, that holds whatever the temperature does: a leak
// only makes a trend smaller, so the largest of the others bounds what the temperature does to all
// corners in the same air.
func (s stretch) against(m massSlope, others []Trend) float64 {
	bound := math.Inf(-1)
	for _, o := range others {
		if o.usable() {
			bound = max(bound, o.PerS-o.Half)
		}
	}
	own := m.fit.slope + m.half()
	low := (bound-driftOther/3600/s.gas.kelvin)*m.kg - own
	return low * (1 - 2*s.scale(m))
}

// wait works out how much longer the check would have to run, and what limits it: a noise falls
// with W^1.5, a step with W, drift and volume not at all.
func (e *Estimate) wait(windowS, limit float64, d drift) {
	gap := math.Abs(e.Rate.Value - limit)
	drifts, least := e.Parts.DriftCool, leastS
	if e.Rate.Value < limit {
		drifts, least = e.Parts.DriftWarm, leastTightS
	}
	fixed := math.Hypot(drifts, e.Parts.Scale)
	half := func(w float64) float64 {
		f := windowS / w
		return e.Parts.Step*f + root(e.Parts.Noise*math.Pow(f, 1.5), fixed)
	}
	switch {
	case fixed >= gap && drifts >= e.Parts.Scale:
		*e = e.refuse(ByTemperature, nil)
		e.Note = fmt.Sprintf("the gas may be warming by up to %.1f K an hour or cooling by %.1f: waiting does not help", d.warm, d.cool)
	case fixed >= gap:
		*e = e.refuse(ByVolume, nil)
		e.Note = "the volume is not known well enough: waiting does not help"
	case half(windowS) < gap:
		needs := roundUp(least - windowS)
		*e = e.refuse(TooShort, &needs)
	default:
		e.waitFor(windowS, gap, least, half)
	}
}

// waitFor finds the window in which the interval would be narrow enough, by bisection.
func (e *Estimate) waitFor(windowS, gap, least float64, half func(float64) float64) {
	why := ByNoise
	if e.Parts.Step > e.Parts.Noise {
		why = ByStep
	}
	e2 := e.refuse(why, nil)
	e2.Note = "the readings scatter too much for this time"
	if why == ByStep {
		e2.Note = "the sensor's step is too coarse for this time"
	}
	low, high := windowS, windowS+mostS
	if half(high) <= gap {
		for high-low > 1 {
			if middle := (low + high) / 2; half(middle) <= gap {
				high = middle
			} else {
				low = middle
			}
		}
		needs := roundUp(max(high, least) - windowS)
		e2.NeedsS = &needs
	}
	*e = e2
}

// Trend returns what this window lends to the evaluation of another corner in the same air. It is
// not ok while the window is too short or not settled.
func (w *Window) Trend(c Conditions) (t Trend, ok bool) {
	s, reason := w.stretch(c)
	if s.hi == s.lo || reason != "" || s.regime == BumpStop {
		return Trend{}, false
	}
	m := s.mass()
	if !(m.kg > 0) {
		return Trend{}, false
	}
	return Trend{PerS: m.fit.slope / m.kg, Half: m.half() / m.kg, Settled: true}, true
}
