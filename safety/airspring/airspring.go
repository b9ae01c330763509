// Package airspring holds the air of one air spring against the ideal gas law: what mass is in it,
// what its pressure does when it is closed, where the body would come to rest on it.
//
//	     body                 V(h) = V0 + A h         h over design height, larger = body higher
//	 ____|____                m    = p V(h) / (R T)   p absolute
//	(         ) <- p, V, T    load = (p - pa) A       pa the air around
//	(_________)
//	     |  h                 A is the area as the height signal sees it: motion ratio x the
//	   wheel                  spring's own effective area, so dV/dh and the load share it
//
// The invariant: every formula takes absolute pressure in Pa and says so in its name; a number that
// can't be (not finite, not above zero, no volume) gives ok = false and never a result.
//
// Air is an ideal gas with the gas constant of dry air from ISO 2533. Flows of air are masses per
// time; ml/min refer to the reference atmosphere ANR of ISO 8778. The formulas for a closed spring
// are those of any textbook of thermodynamics.
//
// The area is taken as constant over the travel. A real bellows varies by 5 to 20 % (common
// practice, no source), which the relative uncertainties of a Spring stand for. The package knows
// nothing of heat flow: it gives the slow and the fast limit, not what happens in between.
package airspring

import "math"

const (
	// GasConstant of dry air, J/(kg K), ISO 2533.
	GasConstant = 287.05287
	// Gamma is the ratio of the specific heats of air, textbook value.
	Gamma = 1.4
	// StandardPressurePa is the pressure at sea level of ISO 2533.
	StandardPressurePa = 101325.0
	// ReferenceK is 20 degC, the temperature of the reference atmosphere ANR, ISO 8778.
	ReferenceK = 293.15
	// DensityANR is the density of air at ANR, kg/m3, as ISO 6358 uses it.
	DensityANR = 1.185
)

// Range is a number worked out, with the ends of its interval.
type Range struct {
	Value, Low, High float64
}

// Times returns r with all three numbers multiplied by f, the ends in order.
func (r Range) Times(f float64) Range {
	low, high := r.Low*f, r.High*f
	return Range{Value: r.Value * f, Low: min(low, high), High: max(low, high)}
}

// Spring is what is known of one air spring. The zero value knows nothing.
type Spring struct {
	VolumeM3    float64 // at design height, lines included; 0 is unknown
	AreaM2      float64 // the spring's own effective area; 0 is unknown
	MotionRatio float64 // spring travel per wheel travel
	MotionKnown bool    // else a ratio of 1 is assumed

	// Relative standard uncertainties; 0 stands for the defaults, 5 % and 10 %.
	VolumeU, AreaU float64
}

// Defaults for what a card can't say: how good a volume is, and how far the effective area varies
// over the travel. Our own choice and common practice.
const (
	defaultVolumeU = 0.05
	defaultAreaU   = 0.10
)

// Uncertainty returns the relative standard uncertainties of volume and area.
func (s Spring) Uncertainty() (volume, area float64) {
	volume, area = defaultVolumeU, defaultAreaU
	if positive(s.VolumeU) {
		volume = s.VolumeU
	}
	if positive(s.AreaU) {
		area = s.AreaU
	}
	return volume, area
}

// VolumeKnown reports whether the spring has a usable volume.
func (s Spring) VolumeKnown() bool { return positive(s.VolumeM3) }

// HeightArea returns the area as the height signal sees it, dV/dh in m2: the spring's own times
// the motion ratio. The load at the wheel is the same area times the gauge pressure.
func (s Spring) HeightArea() (m2 float64, ok bool) {
	if !positive(s.AreaM2) {
		return 0, false
	}
	if !s.MotionKnown {
		return s.AreaM2, true
	}
	m2 = s.AreaM2 * s.MotionRatio
	return m2, positive(m2)
}

// VolumeAt returns the volume in m3 at a height over design height in mm. It is not ok without
// volume and area, nor below the height at which no volume would be left.
func (s Spring) VolumeAt(heightMM float64) (m3 float64, ok bool) {
	area, ok := s.HeightArea()
	if !ok || !s.VolumeKnown() {
		return 0, false
	}
	m3 = s.VolumeM3 + area*heightMM/1000
	return m3, positive(m3)
}

// HeightOf is the inverse of VolumeAt: the height over design, mm, at which the spring holds m3.
func (s Spring) HeightOf(m3 float64) (mm float64, ok bool) {
	area, ok := s.HeightArea()
	if !ok || !s.VolumeKnown() || !positive(m3) {
		return 0, false
	}
	mm = (m3 - s.VolumeM3) / area * 1000
	return mm, finite(mm)
}

// Mass returns the air in a volume, kg, by the ideal gas law.
func Mass(absolutePa, m3, kelvin float64) (kg float64, ok bool) {
	if !positive(absolutePa, m3, kelvin) {
		return 0, false
	}
	kg = absolutePa * m3 / (GasConstant * kelvin)
	return kg, positive(kg)
}

// MassAt returns the air in the spring at a height over design, kg.
func (s Spring) MassAt(absolutePa, heightMM, kelvin float64) (kg float64, ok bool) {
	m3, ok := s.VolumeAt(heightMM)
	if !ok {
		return 0, false
	}
	return Mass(absolutePa, m3, kelvin)
}

// SinkPerKg returns how far a standing spring sinks for each kg of air that it loses at constant
// load, mm/kg: R T/(p A).
func (s Spring) SinkPerKg(absolutePa, kelvin float64) (mm float64, ok bool) {
	area, ok := s.HeightArea()
	if !ok || !positive(absolutePa, kelvin) {
		return 0, false
	}
	mm = GasConstant * kelvin / (absolutePa * area) * 1000
	return mm, positive(mm)
}

// positive reports whether every number is finite and above zero.
func positive(values ...float64) bool {
	for _, v := range values {
		if !(v > 0) || math.IsInf(v, 1) {
			return false
		}
	}
	return true
}

// finite reports whether every number is one.
func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
