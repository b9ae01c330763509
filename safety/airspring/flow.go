package airspring

// anr turns kg/s into ml/min at ANR: a litre there weighs DensityANR g.
const anr = 60e6 / DensityANR

// MlMin returns a mass flow of kg/s in ml/min ANR.
func MlMin(kgPerS float64) float64 { return kgPerS * anr }

// FromMlMin returns a flow of ml/min ANR in kg/s.
func FromMlMin(mlMin float64) (kgPerS float64) { return mlMin / anr }

// PaM3PerS returns a mass flow of kg/s as the flow of p V at 20 degC, Pa m3/s. Without that
// temperature a flow of p V is no mass flow.
func PaM3PerS(kgPerS float64) float64 { return kgPerS * GasConstant * ReferenceK }

// FromPaM3PerS returns a flow of p V at 20 degC, Pa m3/s, in kg/s.
func FromPaM3PerS(paM3PerS float64) (kgPerS float64) { return paM3PerS / (GasConstant * ReferenceK) }

// AtPressure returns what a leak measured at one absolute pressure would be at another one, as a
// range: a hole with choked flow leaks in proportion to the absolute pressure (ISO 6358), a fine
// crack with laminar flow in proportion to p^2 - pa^2 (Poiseuille's law for a gas). Which of the
// two a leak is can't be seen. Value is the middle. The rate keeps its unit and its interval.
func AtPressure(rate Range, measuredAbsolutePa, otherAbsolutePa, ambientPa float64) (r Range, ok bool) {
	if !positive(measuredAbsolutePa, otherAbsolutePa, ambientPa) ||
		measuredAbsolutePa <= ambientPa || otherAbsolutePa < ambientPa || !finite(rate.Value, rate.Low, rate.High) {
		return Range{}, false
	}
	choked := otherAbsolutePa / measuredAbsolutePa
	laminar := (square(otherAbsolutePa) - square(ambientPa)) / (square(measuredAbsolutePa) - square(ambientPa))
	a, b := rate.Times(choked), rate.Times(laminar)
	r = Range{Value: (a.Value + b.Value) / 2, Low: min(a.Low, b.Low), High: max(a.High, b.High)}
	return r, finite(r.Value, r.Low, r.High)
}
