package airspring

import "math"

// Compress returns the absolute pressure of a closed amount of air after its volume went from fromM3
// to toM3: p V^n stays. n is 1 when it goes slowly and Gamma when no heat leaves.
func Compress(absolutePa, fromM3, toM3, n float64) (pa float64, ok bool) {
	if !positive(absolutePa, fromM3, toM3, n) {
		return 0, false
	}
	pa = absolutePa * math.Pow(fromM3/toM3, n)
	return pa, positive(pa)
}

// Closed returns the absolute pressure of the closed spring after its height went from one to the
// other, mm over design. Value is the slow end (isothermal), the far end of the range is the fast
// one (adiabatic): a closing of seconds comes near that, a minute near the slow one.
func (s Spring) Closed(absolutePa, fromMM, toMM float64) (pa Range, ok bool) {
	from, okFrom := s.VolumeAt(fromMM)
	to, okTo := s.VolumeAt(toMM)
	if !okFrom || !okTo {
		return Range{}, false
	}
	slow, okSlow := Compress(absolutePa, from, to, 1)
	fast, okFast := Compress(absolutePa, from, to, Gamma)
	if !okSlow || !okFast {
		return Range{}, false
	}
	return Range{Value: slow, Low: min(slow, fast), High: max(slow, fast)}, true
}

// Rise returns by how much the pressure of the closed spring rises when it closes slowly from one
// height to the other, Pa; negative when it opens. A pressure that follows a closing with far less
// is not the pressure of this spring.
func (s Spring) Rise(absolutePa, fromMM, toMM float64) (pa float64, ok bool) {
	closed, ok := s.Closed(absolutePa, fromMM, toMM)
	pa = closed.Value - absolutePa
	return pa, ok && finite(pa)
}

// Tightness says what the exponent of a closing tells about the air in the spring.
type Tightness uint8

const (
	ExponentUnclear Tightness = iota // too little travel or the pressure too coarse
	StayedClosed                     // as a closed bellows that is crushed: no air came, none went
	AirCameIn
	AirWentOut
)

// The band that a closed spring's exponent keeps to, 1 and 1.4 with the errors of area and volume,
// and the least ln(V0/V1) that tells anything (computed; about 55 mm on a 2.2 L, 98 cm2 spring).
const (
	exponentLow   = 0.9
	exponentHigh  = 1.5
	leastLogRatio = 0.2
	volumeRatioU  = 0.05 // of V0/V1, relative, one standard deviation
)

// Exponent is what a closing says about the air in the spring.
type Exponent struct {
	N, U float64 // p V^N = const; U one standard deviation
	Says Tightness
}

// ExponentOf works out the exponent of a closing from the volumes and absolute pressures before
// (0) and after (1) it: n = ln(p1/p0)/ln(V0/V1). uPa is one standard deviation of a pressure. It
// is not ok when a number can't be, or when the volume did not shrink by a fifth or so.
func ExponentOf(p0AbsolutePa, p1AbsolutePa, v0M3, v1M3, uPa float64) (e Exponent, ok bool) {
	if !positive(p0AbsolutePa, p1AbsolutePa, v0M3, v1M3) || !(uPa >= 0) || math.IsInf(uPa, 1) {
		return Exponent{}, false
	}
	ratio := math.Log(v0M3 / v1M3)
	if ratio <= leastLogRatio {
		return Exponent{}, false
	}
	e.N = math.Log(p1AbsolutePa/p0AbsolutePa) / ratio
	e.U = math.Sqrt(square(uPa/p0AbsolutePa)+square(uPa/p1AbsolutePa)+square(volumeRatioU)) / ratio
	switch {
	case e.N > exponentHigh+2*e.U:
		e.Says = AirCameIn
	case e.N < exponentLow-2*e.U:
		e.Says = AirWentOut
	case 2*e.U < exponentHigh-exponentLow:
		e.Says = StayedClosed
	}
	return e, finite(e.N, e.U)
}

// RestAt returns where the body would come to rest, mm over design, if the hanging spring were let
// down as it is. The load is the one that this corner stood on before, given as its gauge pressure
// while standing; the area being constant, it stands on the same pressure again, so that the volume
// follows from the mass: V = V_hanging p_hanging/p_standing, at one temperature. Below the bump
// stop it says where the stop takes over, not a height. The interval holds two standard deviations
// of volume and area.
func (s Spring) RestAt(hangingGaugePa, hangingMM, standingGaugePa, ambientPa float64) (mm Range, ok bool) {
	if !(hangingGaugePa >= 0) || !positive(standingGaugePa, ambientPa) {
		return Range{}, false
	}
	v, ok := s.VolumeAt(hangingMM)
	if !ok {
		return Range{}, false
	}
	ratio := (hangingGaugePa + ambientPa) / (standingGaugePa + ambientPa)
	h, ok := s.HeightOf(v * ratio)
	// h = (V0 (ratio - 1))/A + ratio h_hanging: volume and area enter by the first term alone.
	uV, uA := s.Uncertainty()
	half := 2 * math.Hypot(uV, uA) * math.Abs(h-ratio*hangingMM)
	return Range{Value: h, Low: h - half, High: h + half}, ok && finite(h, half)
}

// NeedsHanging is the inverse of RestAt: the gauge pressure, Pa, that the hanging spring must hold
// so that the body comes to rest at restMM, for example its bump stop.
func (s Spring) NeedsHanging(restMM, hangingMM, standingGaugePa, ambientPa float64) (gaugePa float64, ok bool) {
	if !positive(standingGaugePa, ambientPa) {
		return 0, false
	}
	rest, okRest := s.VolumeAt(restMM)
	hanging, okHanging := s.VolumeAt(hangingMM)
	if !okRest || !okHanging {
		return 0, false
	}
	gaugePa = (standingGaugePa+ambientPa)*rest/hanging - ambientPa
	return gaugePa, finite(gaugePa)
}

// ColdAfterFill returns how low the pressure may fall by itself after a fill from one absolute
// pressure to the other at constant volume: the fill was so fast that no heat left meanwhile, and
// the air then cools to the temperature at which it came. Rigid vessel filled adiabatically from a
// supply of its own temperature, textbook: T2 = gamma T/(1 + (gamma - 1) p1/p2). Real fills end
// between this and no fall at all.
func ColdAfterFill(fromAbsolutePa, toAbsolutePa float64) (absolutePa float64, ok bool) {
	if !positive(fromAbsolutePa, toAbsolutePa) || toAbsolutePa < fromAbsolutePa {
		return 0, false
	}
	hot := Gamma / (1 + (Gamma-1)*fromAbsolutePa/toAbsolutePa)
	absolutePa = toAbsolutePa / hot
	return absolutePa, positive(absolutePa)
}

func square(v float64) float64 { return v * v }
