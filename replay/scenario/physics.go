package scenario

import "math"

// Dry air. The gas constant is that of ISO 2533; the ratio of specific heats is the textbook 1.4.
const (
	gasConstant = 287.05287 // J/(kg K)
	heatRatio   = 1.4
)

// Reference atmosphere of flow ratings (ISO 8778, as ISO 6358 uses it).
const (
	ratedDensity     = 1.185  // kg/m3 at 20 degC and 100 kPa
	ratedTemperature = 293.15 // K
)

// zeroCelsius is 0 degC in kelvin.
const zeroCelsius = 273.15

// gravity turns the load on a corner into the mass that moves with it, m/s2.
const gravity = 9.80665

// kgPerSecond turns ml/min at the reference atmosphere into kg/s.
func kgPerSecond(mlPerMin float64) float64 { return float64(mlPerMin * (ratedDensity * 1e-6 / 60)) }

// pressureOf returns the absolute pressure in Pa of a mass (kg) of air at a temperature (K) in a
// volume (m3).
func pressureOf(mass, temperature, volume float64) float64 {
	return mass * gasConstant * temperature / volume
}

// massOf returns the mass in kg of air at an absolute pressure (Pa) and a temperature (K) in a
// volume (m3).
func massOf(pressure, temperature, volume float64) float64 {
	return pressure * volume / (gasConstant * temperature)
}

// orifice is a valve, a line or a leak by its two figures of ISO 6358: sonic conductance in
// m3/(s Pa) and critical pressure ratio. The zero orifice is closed.
type orifice struct {
	conductance float64
	critical    float64
}

// nearlyEqual is the pressure ratio above which the flow is taken as a straight line to zero. The
// ellipse of ISO 6358 falls infinitely steeply there, and explicit steps would chatter about it.
const nearlyEqual = 0.999

// haste returns how fast, per second, an orifice brings a volume (m3) at a temperature (K) to the
// pressure beside it, once they are nearly equal: there it is fastest. Explicit steps have to be
// shorter than about two of these.
func (o orifice) haste(volume, temperature float64) float64 {
	slope := o.ellipse(nearlyEqual) / (1 - nearlyEqual)
	return slope * o.conductance * ratedDensity * gasConstant * temperature / volume
}

// flow returns the mass flow in kg/s from an upstream to a downstream absolute pressure (Pa, the
// first at least the second) for an upstream temperature in K (ISO 6358).
func (o orifice) flow(up, down, temperature float64) float64 {
	choked := float64(o.conductance * up * ratedDensity * math.Sqrt(ratedTemperature/temperature))
	ratio := down / up
	switch {
	case ratio <= o.critical:
		return choked
	case ratio > nearlyEqual:
		return choked * o.ellipse(nearlyEqual) * (1 - ratio) / (1 - nearlyEqual)
	default:
		return float64(choked * o.ellipse(ratio))
	}
}

// ellipse is the share of the choked flow that passes at a pressure ratio above the critical one.
func (o orifice) ellipse(ratio float64) float64 {
	x := (ratio - o.critical) / (1 - o.critical)
	return math.Sqrt(1 - float64(x*x))
}

// gas is the air in one volume as seen from outside.
type gas struct{ pressure, temperature float64 }

// exchange sums what flows into and out of a volume: kg/s in, the same times its temperature, kg/s
// out.
type exchange struct{ in, heat, out float64 }

// pass adds the flow through o between two volumes, whichever way it goes.
func (o orifice) pass(a, b gas, toA, toB *exchange) {
	if o.conductance == 0 {
		return
	}
	if a.pressure < b.pressure {
		a, b, toA, toB = b, a, toB, toA
	}
	q := o.flow(a.pressure, b.pressure, a.temperature)
	toA.out += q
	toB.in += q
	toB.heat += float64(q * a.temperature)
}

// warming returns dT/dt in K/s of a mass of gas at temperature t from what flows: the first law for
// an open volume, d(m cv T) = cp T_in dm_in - cp T dm_out, without work and without heat through
// the wall.
func (x exchange) warming(mass, t float64) float64 {
	incoming := float64(heatRatio*x.heat) - float64(x.in*t)
	outgoing := float64((heatRatio - 1) * t * x.out)
	return (incoming - outgoing) / mass
}
