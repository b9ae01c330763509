package sag

import (
	"math"

	"ridewitness/safety/airspring"
)

// What makes a moment. Our own choice: 20 s of standing still average a door that shuts and a
// sensor's noise away; a minute after anything moved the air, it has gone still.
const (
	quietS      = 20.0
	enoughS     = 60.0 // a stretch is closed after so long, and a new one begins
	afterS      = 60.0 // not quiet for so long after Disturb
	coarseS     = 5.0  // heights are held against each other as means over so long
	rangeMM     = 1.0  // within which those means stay
	jumpMM      = 4.0  // from the mean of the last seconds; a single sample further ends it
	leastHeight = 10   // samples
	leastPa     = 5
	noiseS      = 5.0 // samples closer than that count as one, for the error of the mean
)

// tally holds the sums of a mean and its scatter (Welford's method).
type tally struct {
	n          int
	mean, rest float64
	first      float64 // time
}

// add takes a value v of the time s.
func (a *tally) add(s, v float64) {
	if a.n == 0 {
		a.first = s
	}
	a.n++
	d := v - a.mean
	a.mean += d / float64(a.n)
	a.rest += d * (v - a.mean)
}

// merge adds the samples of o.
func (a *tally) merge(o tally) {
	if a.n == 0 {
		*a = o
		return
	}
	n := float64(a.n + o.n)
	d := o.mean - a.mean
	a.rest += o.rest + d*d*float64(a.n)*float64(o.n)/n
	a.mean += d * float64(o.n) / n
	a.n += o.n
}

// measured returns the mean with its standard uncertainty, for a sensor of the given step.
func (a *tally) measured(least int, endS, step float64) Measured {
	if a.n < least {
		return Measured{}
	}
	variance := 0.0
	if a.n > 1 {
		variance = a.rest / float64(a.n-1)
	}
	alone := min(float64(a.n), max(1, (endS-a.first)/noiseS))
	return Measured{Value: a.mean, U: math.Sqrt(variance/alone + step*step/12), Known: true}
}

// quietCorner is one corner of the present stretch. Heights wait in coarse until their mean has
// kept to the others, so that the first seconds of a movement are in no moment.
type quietCorner struct {
	height, pressure tally
	coarse           tally
	least, greatest  float64 // of the coarse means
}

// Gatherer finds moments of quiet standing in one pass. Feed it while the vehicle stands and call
// Disturb for what moves it. Times are seconds on a clock that does not step back. Its memory is
// fixed.
type Gatherer struct {
	stepPa, stepMM     float64
	corners            []quietCorner
	ambient, barometer tally
	from, last         float64
	started            bool
	quietFrom          float64 // earliest start allowed by the last disturbance
	first, latest      Moment
	found              bool
}

// NewGatherer returns a Gatherer for so many corners, whose signals have the given steps.
func NewGatherer(corners int, stepPa, stepMM float64) *Gatherer {
	return &Gatherer{stepPa: stepPa, stepMM: stepMM, corners: make([]quietCorner, max(corners, 0)), quietFrom: math.Inf(-1)}
}

// Disturb says that at s something moved the body or its air: speed, a request, a valve, a
// compressor, a person.
func (g *Gatherer) Disturb(s float64) {
	if aTime(s) {
		g.close()
		g.quietFrom = s + afterS
	}
}

// Height adds a height of a corner, mm.
func (g *Gatherer) Height(corner int, s, mm float64) {
	c := g.at(corner, s, mm)
	if c == nil {
		return
	}
	if c.coarse.n > 0 && (math.Abs(mm-c.coarse.mean) > jumpMM || s-c.coarse.first >= coarseS && !c.steady()) {
		c = g.begin(corner, s)
	}
	c.coarse.add(s, mm)
}

// steady closes a coarse mean and reports whether it keeps to the others of its stretch.
func (c *quietCorner) steady() bool {
	m := c.coarse.mean
	if c.height.n == 0 {
		c.least, c.greatest = m, m
	}
	c.least, c.greatest = min(c.least, m), max(c.greatest, m)
	if c.greatest-c.least >= rangeMM {
		return false
	}
	c.height.merge(c.coarse)
	c.coarse = tally{}
	return true
}

// Pressure adds a gauge pressure of a corner, Pa.
func (g *Gatherer) Pressure(corner int, s, gaugePa float64) {
	if gaugePa <= -airspring.StandardPressurePa {
		return
	}
	if c := g.at(corner, s, gaugePa); c != nil {
		c.pressure.add(s, gaugePa)
	}
}

// Ambient adds a temperature of the air around, K.
func (g *Gatherer) Ambient(s, kelvin float64) {
	if kelvin > 100 && kelvin < 400 && g.counts(s) {
		g.ambient.add(s, kelvin)
	}
}

// Barometer adds a pressure of the air around, Pa.
func (g *Gatherer) Barometer(s, absolutePa float64) {
	if absolutePa > 30e3 && absolutePa < 120e3 && g.counts(s) {
		g.barometer.add(s, absolutePa)
	}
}

// Latest returns the last quiet moment so far, the present stretch included.
func (g *Gatherer) Latest() (m Moment, ok bool) {
	if m, ok := g.moment(); ok {
		return m, true
	}
	return g.latest, g.found
}

// First returns the first quiet moment.
func (g *Gatherer) First() (m Moment, ok bool) {
	if g.found {
		return g.first, true
	}
	return g.moment()
}

// at returns the corner a sample belongs to, nil where it does not count.
func (g *Gatherer) at(corner int, s, v float64) *quietCorner {
	if corner < 0 || corner >= len(g.corners) || !finite(v) || !g.counts(s) {
		return nil
	}
	return &g.corners[corner]
}

// counts moves the time on and reports whether it is quiet. A gap of half a minute ends a stretch.
func (g *Gatherer) counts(s float64) bool {
	const gapS = 30
	if !aTime(s) || s < g.quietFrom {
		return false
	}
	if !g.started || s-g.last > gapS || s < g.last-gapS {
		g.close()
		g.started, g.from, g.last = true, s, s
	}
	g.last = max(g.last, s)
	if g.last-g.from >= enoughS {
		g.close()
		g.started, g.from = true, s
	}
	return true
}

// close ends the present stretch and keeps it if it is a moment.
func (g *Gatherer) close() {
	if m, ok := g.moment(); ok {
		g.latest = m
		if !g.found {
			g.first, g.found = m, true
		}
	}
	clear(g.corners)
	g.ambient, g.barometer = tally{}, tally{}
	g.started = false
}

// begin ends the present stretch at s, where the body moved, and starts the next. It returns the
// corner's part of that.
func (g *Gatherer) begin(corner int, s float64) *quietCorner {
	g.close()
	g.from, g.last, g.started = s, s, true
	return &g.corners[corner]
}

// moment returns the present stretch if it is long enough.
func (g *Gatherer) moment() (m Moment, ok bool) {
	if !g.started || g.last-g.from < quietS {
		return Moment{}, false
	}
	m = Moment{FromS: g.from, ToS: g.last, Corners: make([]State, len(g.corners)),
		AmbientK: g.ambient.measured(1, g.last, 0), BarometerPa: g.barometer.measured(1, g.last, 0)}
	for i := range g.corners {
		c := &g.corners[i]
		m.Corners[i].HeightMM = c.height.measured(leastHeight, g.last, g.stepMM)
		m.Corners[i].GaugePa = c.pressure.measured(leastPa, g.last, g.stepPa)
		ok = ok || m.Corners[i].HeightMM.Known
	}
	return m, ok
}

// aTime reports whether s can be a time in seconds.
func aTime(s float64) bool { return math.Abs(s) < 1e12 }

// finite reports whether every number is one.
func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
