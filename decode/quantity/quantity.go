// Package quantity holds the units that definitions, job cards and reports are written in.
//
//	"98 cm2" --Parse--> Value{98, cm2} --In(SquareMetre)--> 0.0098
//	            |
//	            +-- Error: what the text is, what was expected, an example
//
// A Unit is a name, a dimension and a factor (for temperatures also an offset) to the SI unit.
//
// The invariant: two values meet only in units of one dimension; In, DifferenceIn and ParseIn refuse
// anything else, so a length can't be read as an area, nor a number without unit as a pressure.
//
// Factors are exact by definition of the units (BIPM, The International System of Units, 9th
// edition; the bar, which that edition no longer lists, is 100 kPa by its definition in the edition
// before). A flow of air is written in ml/min at the reference atmosphere ANR of ISO 8778: 20 degC
// and 100 kPa.
//
// The package knows no gauge or absolute pressures: that is said beside the value, never by its
// unit. It imports nothing of ours.
package quantity

import "slices"

// Dimension is what a unit measures. The zero value is a plain number.
type Dimension uint8

const (
	Number Dimension = iota
	Pressure
	Length
	Area
	Volume
	Temperature
	Rotation // base unit: turns a second
	Speed
	Voltage
	Duration
	FlowANR // air at ANR (ISO 8778); base unit Pa m3/s, the flow of pressure times volume at 20 degC
)

// dimensions hold for each dimension its name with article, and an example in a unit of cards.
var dimensions = [...]struct{ name, example string }{
	Number:      {"a plain number", "0.7"},
	Pressure:    {"a pressure", "1 bar"},
	Length:      {"a length", "391 mm"},
	Area:        {"an area", "98 cm2"},
	Volume:      {"a volume", "2.2 L"},
	Temperature: {"a temperature", "20 degC"},
	Rotation:    {"a speed of rotation", "400 rpm"},
	Speed:       {"a speed", "3 km/h"},
	Voltage:     {"a voltage", "12 V"},
	Duration:    {"a duration", "2 min"},
	FlowANR:     {"a flow of air", "4 ml/min"},
}

// String returns the dimension's name with its article: 'an area'.
func (d Dimension) String() string {
	if int(d) < len(dimensions) {
		return dimensions[d].name
	}
	return "an unknown dimension"
}

// Example returns a quantity of the dimension as a user may write it: '98 cm2'.
func (d Dimension) Example() string {
	if int(d) < len(dimensions) {
		return dimensions[d].example
	}
	return ""
}

// Unit is a unit of measurement. The zero Unit is a plain number. Units are compared with ==.
type Unit struct {
	Name      string
	Dimension Dimension
	factor    float64 // SI value of one unit; 0 stands for 1, so that the zero Unit works
	offset    float64 // SI value of zero units, temperatures only
}

// Sizes that several units share.
const (
	litre  = 1e-3 // m3
	minute = 60.0 // s
	hour   = 3600.0
	// anr is the pressure of the reference atmosphere of ISO 8778, Pa. A flow is kept as the flow
	// of p V at 20 degC, in Pa m3/s.
	anr = 100e3
)

// The units. RPM is 1/min; MilliLitrePerMin and PascalM3PerS are flows of air at ANR.
var (
	One     = Unit{}
	Percent = Unit{"%", Number, 1e-2, 0}

	Bar        = Unit{"bar", Pressure, 1e5, 0}
	Kilopascal = Unit{"kPa", Pressure, 1e3, 0}
	Pascal     = Unit{"Pa", Pressure, 1, 0}

	Millimetre = Unit{"mm", Length, 1e-3, 0}
	Centimetre = Unit{"cm", Length, 1e-2, 0}
	Metre      = Unit{"m", Length, 1, 0}

	SquareCentimetre = Unit{"cm2", Area, 1e-4, 0}
	SquareMetre      = Unit{"m2", Area, 1, 0}

	CubicCentimetre = Unit{"cm3", Volume, 1e-6, 0}
	Litre           = Unit{"L", Volume, litre, 0}
	CubicMetre      = Unit{"m3", Volume, 1, 0}

	Celsius = Unit{"degC", Temperature, 1, 273.15}
	Kelvin  = Unit{"K", Temperature, 1, 0}

	RPM = Unit{"rpm", Rotation, 1 / minute, 0}

	KilometrePerHour    = Unit{"km/h", Speed, 1000 / hour, 0}
	MetrePerSecond      = Unit{"m/s", Speed, 1, 0}
	MillimetrePerSecond = Unit{"mm/s", Speed, 1e-3, 0}

	Volt = Unit{"V", Voltage, 1, 0}

	Second = Unit{"s", Duration, 1, 0}
	Minute = Unit{"min", Duration, minute, 0}
	Hour   = Unit{"h", Duration, hour, 0}

	MillilitrePerMinute = Unit{"ml/min", FlowANR, litre / 1000 / minute * anr, 0}
	LitrePerMinute      = Unit{"L/min", FlowANR, litre / minute * anr, 0}
	PascalM3PerS        = Unit{"Pa m3/s", FlowANR, 1, 0}
)

// units lists the named units, those of one dimension together.
var units = []Unit{
	Percent,
	Bar, Kilopascal, Pascal,
	Millimetre, Centimetre, Metre,
	SquareCentimetre, SquareMetre,
	CubicCentimetre, Litre, CubicMetre,
	Celsius, Kelvin,
	RPM,
	KilometrePerHour, MetrePerSecond, MillimetrePerSecond,
	Volt,
	Second, Minute, Hour,
	MillilitrePerMinute, LitrePerMinute, PascalM3PerS,
}

// spellings are other ways to write a unit that mean the same beyond doubt. The litre has two
// symbols, l and L (SI brochure, table 8).
var spellings = map[string]Unit{
	"l":      Litre,
	"mL/min": MillilitrePerMinute,
	"l/min":  LitrePerMinute,
	"1/min":  RPM,
}

// ByName returns the unit of that name: 'bar', 'cm2', 'ml/min'. The empty name is a plain number.
func ByName(name string) (Unit, bool) {
	if name == "" {
		return One, true
	}
	if u, ok := spellings[name]; ok {
		return u, true
	}
	i := slices.IndexFunc(units, func(u Unit) bool { return u.Name == name })
	if i < 0 {
		return Unit{}, false
	}
	return units[i], true
}

// Names returns the names of the units of dimension d, in the order of size within a family.
func Names(d Dimension) []string {
	var names []string
	for _, u := range units {
		if u.Dimension == d {
			names = append(names, u.Name)
		}
	}
	return names
}

// In converts v from unit u to unit to. It fails when the dimensions differ.
func (u Unit) In(to Unit, v float64) (float64, error) {
	if u.Dimension != to.Dimension {
		return 0, mismatch(u, to)
	}
	if u == to {
		return v, nil
	}
	return (v*u.size() + u.offset - to.offset) / to.size(), nil
}

// DifferenceIn converts a difference or a standard deviation: of temperatures too it takes the
// factors only. It fails when the dimensions differ.
func (u Unit) DifferenceIn(to Unit, v float64) (float64, error) {
	if u.Dimension != to.Dimension {
		return 0, mismatch(u, to)
	}
	if u == to {
		return v, nil
	}
	return v * u.size() / to.size(), nil
}

// size returns the SI value of one unit. The zero Unit is a plain number and has the size 1, so that a
// signal without unit needs no special case anywhere.
func (u Unit) size() float64 {
	if u.factor == 0 {
		return 1
	}
	return u.factor
}
