package leak

import (
	"math"

	"ridewitness/safety/airspring"
)

// The number of block means that a line is fitted through, and the t quantile of its 4 degrees of
// freedom for 95 %. Six long blocks average the noise's short correlation away, and four degrees
// of freedom say honestly how little is known.
const (
	blockMeans    = 6
	tQuantile     = 2.776
	normal95      = 1.96
	samplesLeast  = 8    // in a block
	outlierMost   = 0.02 // share of samples that may be left out
	noiseTimes    = 15   // noise time constants that a window should be long
	moveMost      = 1.0  // mm that a hanging height may change
	undithered    = 1.5  // of step/window: an error within half a step turns a slope by at most that
	ditheredShare = 0.3  // of step/window, where noise carries the reading across the steps
)

// stretch is a run of sub-blocks of a window, looked at in one regime.
type stretch struct {
	w      *Window
	lo, hi int
	regime Regime
	gas    gas
}

// gas is what turns readings into a mass: one temperature, one ambient pressure and one shape of
// the spring for the whole window, so that steps of those signals add nothing to the slope.
type gas struct {
	kelvin, kelvinU float64
	ambientPa       float64
	ambientPaU      float64
	baseM3          float64 // at a height of 0 on the scale of the height signal
	areaM2          float64 // dV/dh
	meanMM          float64 // mean height over the whole window; 0 where there is none
	volumeU         float64 // relative
	areaKnown       bool
	volumeKnown     bool
}

// part merges the sub-blocks of part i of n equal parts of the stretch.
func (s stretch) part(i, n int) block {
	from, to := s.lo+(s.hi-s.lo)*i/n, s.lo+(s.hi-s.lo)*(i+1)/n
	var b block
	for j := from; j < to; j++ {
		b.merge(&s.w.blocks[j])
	}
	return b
}

// parts cuts the stretch into n parts of equal time, to within a sub-block.
func (s stretch) parts(n int) []block {
	parts := make([]block, n)
	for i := range parts {
		parts[i] = s.part(i, n)
	}
	return parts
}

// seconds returns how long the stretch is, to the last pressure.
func (s stretch) seconds() float64 {
	end := float64(s.hi) * s.w.blockS
	if s.w.pressure.kept {
		end = min(end, s.w.pressure.last.t-s.w.from)
	}
	return end - float64(s.lo)*s.w.blockS
}

// half returns the first or the second half.
func (s stretch) half(i int) stretch {
	middle := (s.lo + s.hi) / 2
	if i == 0 {
		s.hi = middle
	} else {
		s.lo = middle
	}
	return s
}

// gasOf works out what the mass needs from the signals of the stretch.
func (w *Window) gasOf(lo, hi int, c Conditions) gas {
	var all block
	for i := lo; i < hi; i++ {
		all.merge(&w.blocks[i])
	}
	// Without a signal: a workshop at 20 degC within 10 K; sea level and weather, from memory.
	g := gas{kelvin: 293.15, kelvinU: 10, ambientPa: airspring.StandardPressurePa, ambientPaU: 4e3}
	if all.wall.n > 0 {
		g.kelvin, g.kelvinU = all.wall.sum/all.wall.n, 2
	}
	if all.barometer.n > 0 {
		g.ambientPa, g.ambientPaU = all.barometer.sum/all.barometer.n, 500
	}
	n := float64(all.height.n)
	g.shape(w.setup.Spring, c, mean{n, all.height.x + n*w.height.origin})
	return g
}

// How far below design height a hanging wheel stands where no height says so, and how well a
// standing vehicle keeps its design height: from memory.
const (
	droopMM, droopU       = 90.0, 30.0
	standingU             = 20.0
	droopShare, shareU    = 1.25, 0.15 // of the volume, where not even an area is known
	standingNoAreaVolumeU = 0.1
)

// shape sets volume and area on the scale of the height signal, whose mean may be unknown.
func (g *gas) shape(s airspring.Spring, c Conditions, height mean) {
	uV, uA := s.Uncertainty()
	g.areaM2, g.areaKnown = s.HeightArea()
	g.volumeKnown = s.VolumeKnown()
	g.volumeU = uV
	if height.n > 0 {
		g.meanMM = height.sum / height.n
	}
	switch {
	case !g.areaKnown && c.Regime == Hanging:
		g.baseM3, g.volumeU = s.VolumeM3*droopShare, math.Hypot(uV, shareU)
	case !g.areaKnown:
		g.baseM3, g.volumeU = s.VolumeM3, math.Hypot(uV, standingNoAreaVolumeU)
	case height.n > 0 && c.Height == OverDesign:
		// A(h) varies: the further from design height, the less the volume is known.
		g.baseM3 = s.VolumeM3
		off := math.Abs(g.areaM2 * g.meanMM / 1000)
		g.volumeU = math.Hypot(uV, uA*off/max(s.VolumeM3+g.areaM2*g.meanMM/1000, s.VolumeM3/4))
	default:
		overMM, offU := 0.0, standingU
		if c.Regime == Hanging {
			overMM, offU = droopMM, droopU
		}
		m3 := s.VolumeM3 + g.areaM2*overMM/1000
		g.baseM3 = m3 - g.areaM2*g.meanMM/1000
		g.volumeU = math.Hypot(uV, g.areaM2*offU/1000/m3)
	}
	if m3 := g.volumeAt(g.meanMM); !(m3 > 0) {
		g.volumeKnown = false
	}
}

// volumeAt returns the volume, m3, at a height on the scale of the height signal, mm.
func (g gas) volumeAt(mm float64) float64 { return g.baseM3 + g.areaM2*mm/1000 }

// slope is the regression of one quantity with what its errors are.
type slope struct {
	fit
	err   float64 // standard error: of the block means, or of correlated noise where that is larger
	noise float64 // half width for 95 %
	step  float64 // what the sensor's step can hide, a bound
}

// half is the half width of the slope's interval: a bound and a 95 % error, added.
func (s slope) half() float64 { return s.noise + s.step }

// pick chooses a signal of a sub-block.
type pick func(*block) *stat

func pressureOf(b *block) *stat { return &b.pressure }
func heightOf(b *block) *stat   { return &b.height }

// pressureSlope regresses the absolute pressure, Pa/s, from which a leak takes in proportion.
func (s stretch) pressureSlope() slope {
	offset := s.gas.ambientPa + s.w.pressure.origin
	f := straight(s.means(pressureOf, offset), 0)
	decay := 0.0
	if f.at.x > 0 {
		decay = f.slope * f.slope / f.at.x
	}
	return s.signalSlope(pressureOf, &s.w.pressure, offset, decay)
}

// heightSlope regresses the height, mm/s.
func (s stretch) heightSlope() slope {
	return s.signalSlope(heightOf, &s.w.height, s.w.height.origin, 0)
}

// signalSlope regresses one raw signal; offset makes its sums values again.
func (s stretch) signalSlope(of pick, k *track, offset, decay float64) slope {
	f := straight(s.means(of, offset), decay)
	sl := slope{fit: f, err: f.se, noise: tQuantile * f.se, step: s.stepError(of, k.q())}
	if s.dithered(of) {
		sl.consider(s.correlated(of, f, offset, decay))
	}
	return sl
}

// consider widens the error to a standard error worked out in another way.
func (s *slope) consider(err float64) {
	s.err, s.noise = max(s.err, err), max(s.noise, normal95*err)
}

// means returns the six block means of a signal, offset added.
func (s stretch) means(of pick, offset float64) []point {
	means := make([]point, blockMeans)
	for i, b := range s.parts(blockMeans) {
		means[i] = of(&b).mean()
		means[i].x += offset
	}
	return means
}

// dithered reports whether the noise carries the signal across its steps in every block.
func (s stretch) dithered(of pick) bool {
	for _, b := range s.parts(blockMeans) {
		if !of(&b).dithered() {
			return false
		}
	}
	return true
}

// flat reports that the signal's level did not move once.
func (s stretch) flat(of pick) bool {
	b := s.part(0, 1)
	return of(&b).up+of(&b).down == 0
}

// stepError returns by how much the sensor's step q may turn the slope. A value that did not move
// at all bounds it by q/W, one that moves without dither by 1.5 q/W: errors within e turn a
// least-squares slope by at most 3 e/W.
func (s stretch) stepError(of pick, q float64) float64 {
	share := undithered
	switch {
	case s.flat(of):
		share = 1
	case s.dithered(of):
		share = ditheredShare
	}
	return share * q / s.seconds()
}

// correlated returns the standard error of the slope that the noise of one-second means leaves, their
// correlation taken as that of an AR(1) process. It guards against six block means that happen to
// lie on a line.
func (s stretch) correlated(of pick, f fit, offset, decay float64) float64 {
	var squares, products, n, pairN, spread float64
	for i := s.lo; i < s.hi; i++ {
		st := of(&s.w.blocks[i])
		if st.seconds.n == 0 {
			continue
		}
		t := st.seconds.t / st.seconds.n
		b := f.slope + decay*(t-f.at.t)
		a := f.at.x - offset + f.slope*(t-f.at.t) + decay/2*square(t-f.at.t) - b*t
		squares += st.seconds.squares(a, b)
		products += st.pairs.products(a, b)
		n += st.seconds.n
		pairN += st.pairs.n
		spread += st.seconds.tt - 2*f.at.t*st.seconds.t + square(f.at.t)*st.seconds.n
	}
	if n < 3 || pairN < 1 || !(squares > 0) || !(spread > 0) {
		return 0
	}
	r := products / pairN / (squares / n)
	inflated := min(max(r+(1+4*r)/n, 0), 0.99)
	err := math.Sqrt(squares/(n-2)/spread) * math.Sqrt((1+inflated)/(1-inflated))
	return err * shortage(r, s.seconds(), s.seconds()/n)
}

// shortage returns the factor by which a window shorter than 15 time constants of its noise widens
// the interval: r is the correlation of means that are everyS apart.
func shortage(r, windowS, everyS float64) float64 {
	if r <= 0 {
		return 1
	}
	tau := everyS / -math.Log(min(r, 0.99))
	return max(1, noiseTimes*tau/windowS)
}
