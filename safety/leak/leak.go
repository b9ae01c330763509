// Package leak estimates how much air a closed spring loses, with an interval that can be trusted,
// from its pressure, its height and the temperature around it.
//
//	Pressure, Height, Ambient, Barometer          Conditions (limit, regime, other corners)
//	       |                                           |
//	       v                                           v
//	    Window ---- 240 sub-blocks at most ------> Evaluate --> Estimate
//	       ^        merged in pairs when full      6 block means, a line, four kinds of error
//	    Restart: air moved, somebody lifted
//
// A Window is fed everything, told when something moved the air, and may be evaluated at any time:
// its memory and the cost of an evaluation don't depend on how long it runs.
//
// The invariant: Tight and Leaking come from the end of the interval, never from its centre, and
// what is missing or can't be makes the interval wider or the answer CannotTell. The zero Outcome
// is CannotTell.
//
// What is regressed is p/T where the height is fixed (hanging) and p V(h)/T where the load is fixed
// (standing). The interval adds what the sensor's step can hide (a bound) to the root of squares of
// the noise, the drift of the gas temperature and the uncertainty of volume and area.
//
// It does not see where the air goes, nor a leak that opens at another height or pressure only. It
// can't tell air that cools from air that leaks where nothing shows the temperature: then it says
// so.
package leak

import (
	"ridewitness/safety/airspring"
)

// Regime is what holds the body at the corner. The zero value is unknown.
type Regime uint8

const (
	UnknownRegime Regime = iota
	Hanging              // wheel at droop, body on the lift: the height is fixed, the pressure tells
	Standing             // on its wheels: the load is fixed, the height tells
	BumpStop             // on its stop: the volume is not known
)

var regimeNames = [...]string{"", "hanging", "standing", "bump-stop"}

// String returns the word used in reports, "" for unknown.
func (r Regime) String() string { return nameOf(regimeNames[:], uint8(r)) }

// Outcome is the answer to 'does it lose more than the limit'. The zero value is CannotTell.
type Outcome uint8

const (
	CannotTell Outcome = iota
	Tight
	Leaking
)

var outcomeNames = [...]string{"cannot-tell", "tight", "leaking"}

// String returns the word used in reports.
func (o Outcome) String() string { return nameOf(outcomeNames[:], uint8(o)) }

// nameOf returns the name of a small number, 'unknown' for one without.
func nameOf(names []string, i uint8) string {
	if int(i) < len(names) {
		return names[i]
	}
	return "unknown"
}

// Reason says why there is no answer. The empty Reason is none.
type Reason string

const (
	TooShort      Reason = "too-short"      // the window, or one of its blocks
	StillSettling Reason = "still-settling" // the slope changes along the window
	ByTemperature Reason = "temperature"    // the gas may be warming or cooling by more than the gap
	ByVolume      Reason = "volume"         // the volume is not known well enough
	ByStep        Reason = "step"           // the sensor's step is too coarse for this time
	ByNoise       Reason = "noise"          // the readings scatter too much for this time
	NoVolume      Reason = "no-volume"      // without a volume, or at its stop, a slope is no rate
	NoHeight      Reason = "no-height"      // standing, without a height
	NoArea        Reason = "no-area"        // standing, without an effective area
	NoLimit       Reason = "no-limit"       // nothing to compare with
	NoRegime      Reason = "no-regime"      // neither hanging nor standing
	PressureRises Reason = "pressure-rises" // warming, or air that comes in
	HeightMoved   Reason = "height-moved"   // hanging, and the height changed
	BadSamples    Reason = "bad-samples"    // too many outliers or values that can't be
	GapInside     Reason = "gap"            // a part of the window has few samples
	NeverMoved    Reason = "never-moved"    // a signal that never changed may be frozen
)

// Bound says which argument an answer rests on.
type Bound uint8

const (
	NoBound     Bound = iota
	OwnSlope          // this corner's own slope, with an allowance for temperature
	OtherCorner       // this corner against another one in the same air
)

// Setup is what is known of the corner before the first sample.
type Setup struct {
	Spring  airspring.Spring
	StepPa  float64 // of the pressure signal: the definition's scale times its mask's lowest bit
	StepMM  float64 // of the height signal
	SettleS float64 // how long the gas settles after air moved; 0: 180 s, above 5 L 300 s
}

// HeightReference says what the heights fed to a Window are measured from.
type HeightReference uint8

const (
	Relative   HeightReference = iota // only differences count
	OverDesign                        // mm over the height at which the spring has its volume
)

// Conditions are what an evaluation needs to know besides the samples.
type Conditions struct {
	Regime     Regime
	Height     HeightReference
	LimitMlMin float64 // ANR; 0 or less is no limit
	Driven     bool    // driving, levelling or a compressor was seen within 2 h before
	Others     []Trend // of other closed springs in the same air, over about the same time
	StandingPa float64 // absolute pressure on which this corner stands, for SagMMIn12h; 0: as measured
}

// Trend is how fast the air in a spring seems to vanish or grow: d ln m/dt at a constant
// temperature. The zero value is none.
type Trend struct {
	PerS     float64 // 1/s, falling negative
	Half     float64 // half width of its interval from noise and step, 1/s
	SameAxle bool    // set by the caller: same axle, same kind of spring
	Settled  bool
}

// Estimate is what a window tells. The zero value tells nothing.
type Estimate struct {
	Outcome Outcome
	Reason  Reason // with CannotTell: why
	Note    string // one plain sentence, or ""
	Regime  Regime
	Bound   Bound // what Tight or Leaking rests on

	FromS, ToS float64 // the stretch that was used, on the clock of the samples
	Confidence float64 // of every interval here, 0.95

	HasSlope  bool
	PaPerS    airspring.Range // slope of the gauge pressure, without temperature or volume
	MeanPa    float64         // mean absolute pressure at which it was measured
	MeanGauge float64         // mean gauge pressure, Pa

	HasRate    bool
	Rate       airspring.Range // kg/s lost; negative: gained
	Parts      Parts
	LimitMlMin float64          // the limit it was held against, 0 for none
	NeedsS     *float64         // how much longer the check would have to run; nil: waiting does not help
	SagMMIn12h *airspring.Range // what the rate does to a standing body; nil: not known

	Dithered bool // noise carries the readings across the sensor's step
	Dropped  int  // outliers left out
}

// Parts are the half widths, kg/s, that the interval of a rate is made of.
type Parts struct {
	Step                 float64 // what the sensor's step can hide; added, since it is a bound
	Noise                float64
	DriftWarm, DriftCool float64 // the gas may warm (hides a leak) or cool (looks like one) so much
	Scale                float64 // volume, area, temperature, pressure of the air around
}

// MlMin returns the rate in ml/min ANR.
func (e Estimate) MlMin() airspring.Range { return e.Rate.Times(airspring.MlMin(1)) }

// PaM3PerS returns the rate in Pa m3/s, referred to 20 degC.
func (e Estimate) PaM3PerS() airspring.Range { return e.Rate.Times(airspring.PaM3PerS(1)) }
