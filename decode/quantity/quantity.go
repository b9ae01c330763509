// Package quantity holds the units that definitions, job cards and reports are written in.
//
// A Unit is a name, a dimension and a factor (and for temperatures an offset) to the SI unit. The
// invariant: two values meet only in units of one dimension; Convert refuses anything else.
//
// The package imports nothing of ours.
package quantity

import (
	"fmt"
)

// Dimension is what a unit measures. The zero value is a plain number.
type Dimension uint8

const (
	Number Dimension = iota
	PressureDim
	Length
	Area
	Volume
	Temperature
	Rotation
	Speed
	Voltage
	Duration
	FlowANR
)

// Unit is a unit of measurement. The zero Unit is a plain number.
type Unit struct {
	Name      string
	Dimension Dimension
	factor    float64 // SI value of one unit
	offset    float64 // SI value of zero units, temperatures only
}

// The units of definitions and job cards. Factors are exact by definition of the units
// (SI brochure, 9th edition); ml/min is volume at the reference atmosphere of ISO 8778.
var (
	One       = Unit{"", Number, 1, 0}
	Bar       = Unit{"bar", PressureDim, 1e5, 0}
	KiloPa    = Unit{"kPa", PressureDim, 1e3, 0}
	Pascal    = Unit{"Pa", PressureDim, 1, 0}
	Millim    = Unit{"mm", Length, 1e-3, 0}
	Metre     = Unit{"m", Length, 1, 0}
	Celsius   = Unit{"degC", Temperature, 1, 273.15}
	Kelvin    = Unit{"K", Temperature, 1, 0}
	RPM       = Unit{"rpm", Rotation, 1.0 / 60, 0}
	KmPerHour = Unit{"km/h", Speed, 1 / 3.6, 0}
	Volt      = Unit{"V", Voltage, 1, 0}
)

// In converts v from unit u to unit to. It fails when the dimensions differ.
func (u Unit) In(to Unit, v float64) (float64, error) {
	if u.Dimension != to.Dimension {
		return 0, fmt.Errorf("%q is no unit of %q's kind", to.Name, u.Name)
	}
	if u == to {
		return v, nil
	}
	return (v*u.factor + u.offset - to.offset) / to.factor, nil
}
