// Package sag splits the sinking of a standing vehicle between two moments into its causes, each
// with an interval.
//
//	before: h, p, T, tape          after: h, p, T, tape
//	        \                           /
//	         V1/V0 = m1/m0 x T1/T0 x p0/p1       ideal gas, V = V0 + A h
//	                      |
//	  drop = sensor + commanded + load + cooling + cross-flow + leak + unexplained
//
// Order and convention are fixed: cooling and load are counted on the volume before, what is left
// is air that went away. The interval of cooling reaches to what counting it last would give.
//
// The invariant: the causes of a corner always add up to its drop, and causes that can't be told
// apart say so (joint) in place of a split.
//
// A height sensor whose linkage moved looks exactly like a leak; only a tape reading at both
// moments, or a jump between two samples, tells. Air is an ideal gas; the temperature of the air
// around stands for that of the gas, which is wrong for a vehicle that was just driven: see Context.
package sag

import "ridewitness/safety/airspring"

// Measured is a mean with its standard uncertainty. The zero value is unknown.
type Measured struct {
	Value, U float64
	Known    bool
}

// State is one corner at one moment.
type State struct {
	HeightMM Measured // over design height where Subject says so, else only differences count
	GaugePa  Measured
	TapeMM   Measured // hub centre to wheel arch by tape
	OnStop   bool     // the corner lay on its bump stop
}

// Moment is a stretch of quiet standing.
type Moment struct {
	FromS, ToS  float64
	AmbientK    Measured
	BarometerPa Measured
	Corners     []State // in the order of Context.Subjects
}

// Subject is what is known of one corner besides the two moments. The zero value knows nothing.
type Subject struct {
	Name       string // as in reports, 'rear-left'
	Spring     airspring.Spring
	OverDesign bool  // its heights are over design height
	Partners   []int // subjects of the same axle or circuit, to which air may flow over

	CommandedKg Measured // air let in (positive) or out between the moments, on request
	JumpMM      float64  // height signal jumped down by so much between two samples, pressure unmoved
	SeriesMM    Measured // height that the corner should have, on the scale of HeightMM or, by tape, of TapeMM
	ToleranceMM float64
	SeriesTape  bool // SeriesMM is by tape
}

// Context is what is known of the time around the two moments.
type Context struct {
	Subjects    []Subject
	HistoryS    float64 // how long before the first moment the recording began
	Driven      bool    // driving, levelling or a filling compressor was seen within 2 h before it
	Undisturbed bool    // recorded without a break in between, nobody near
	Gap         bool    // the time between was not recorded
	AmbientHeld bool    // the ambient was steady within 1 K for 30 min at both moments
}

// Kind is a cause of sinking.
type Kind uint8

const (
	Unexplained Kind = iota
	Sensor
	Commanded
	Load
	Cooling
	CrossFlow
	Leak
	UnderFilled
)

var kindNames = [...]string{"unexplained", "sensor", "commanded", "load", "cooling", "cross-flow", "leak", "under-filled"}

// String returns the word used in reports.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return "unknown"
}

// Cause is one part of a drop, mm, sinking positive.
type Cause struct {
	Cause             Kind
	MM, LowMM, HighMM float64
	Weight            float64 // share of the sum of all parts' sizes, 0 to 1
	Joint             bool    // can't be told from the other joint causes of this corner
	Note              string
}

// Corner is one corner's drop and what it is made of.
type Corner struct {
	Name     string
	DropMM   airspring.Range // as the height signal shows it
	BodyMM   airspring.Range // of the body: without the sensor's part
	HasDrop  bool
	MassKg   [2]float64 // before and after; 0 unknown
	Causes   []Cause    // largest first
	Sentence string     // for the customer
	Note     string     // what limits the answer, or ""
}
