package safety

import (
	"fmt"

	"ridewitness/decode"
	"ridewitness/safety/jobcard"
)

// LimitName names a threshold that a job card may override.
type LimitName uint8

const (
	LimitLeak LimitName = iota
	LimitSideDifference
	LimitRunBeforeLowering
	LimitCompressorRun
	LimitResidual
	LimitClosing
	LimitBumpStopShare
	LimitEngineSpeed
	LimitLowVoltage
	LimitSettle
	LimitHeightTolerance
	LimitLeast    // of a spring, on its own line of the card
	LimitGreatest // likewise
	limitCount
)

// limitDefault is what counts where the card is silent, in the unit that the rules count in. Known
// is false where nothing does.
type limitDefault struct {
	name  string
	value float64
	known bool
	unit  string
	why   string // where the number comes from
}

var limitDefaults = [limitCount]limitDefault{
	LimitLeak:              {name: "leak", unit: "ml/min", why: "the vehicle's maker says what is tight"},
	LimitSideDifference:    {"side_difference", 10, true, "mm", "common practice, no source"},
	LimitRunBeforeLowering: {"run_before_lowering", 120, true, "s", "common practice, no source"},
	LimitCompressorRun:     {name: "compressor_run", unit: "s", why: "engine-driven compressors run long"},
	LimitResidual:          {"residual_pressure", 0.2, true, "bar", "common practice, no source"},
	LimitClosing:           {"closing", 4, true, "mm", "above noise and sway on a lift; our own choice"},
	LimitBumpStopShare:     {"bump_stop_share", 0.7, true, "", "common practice, no source"},
	LimitEngineSpeed:       {"engine_speed", 400, true, "rpm", "cranking 100 to 250, idle from 500; common practice, no source"},
	LimitLowVoltage:        {"low_voltage", 11.5, true, "V", "common practice, no source"},
	LimitSettle:            {"settle", 180, true, "s", "300 s for springs over 5 L; computed from gas-to-wall time constants of 15 to 60 s"},
	LimitHeightTolerance:   {"height_tolerance", 5, true, "mm", "common practice, no source"},
	LimitLeast:             {"least_pressure", 1, true, "bar", "common practice, no source; good for 'broken' only"},
	LimitGreatest:          {name: "greatest_pressure", unit: "bar", why: "the spring's maker says it"},
}

// String returns the limit's name on a job card.
func (n LimitName) String() string {
	if n < limitCount {
		return limitDefaults[n].name
	}
	return fmt.Sprintf("LimitName(%d)", uint8(n))
}

// Text says what counts by default and where that comes from, for help texts.
func (n LimitName) Text() string {
	d := limitDefaults[n]
	if !d.known {
		return "no default: " + d.why
	}
	return fmt.Sprintf("%g %s (%s)", d.value, d.unit, d.why)
}

// Threshold is a limit as it counted in one session.
type Threshold struct {
	Name  LimitName
	Value float64
	Unit  string
	Known bool
	From  string // card, default or none
}

// Limits holds what counts for one job card, by name and corner; corner 0 is the vehicle.
type Limits [limitCount][5]Threshold

// newLimits works out every threshold once, since the rules ask for them at each sample.
func newLimits(card *jobcard.Card) *Limits {
	var l Limits
	for name := range limitCount {
		for c := range l[name] {
			l[name][c] = threshold(name, card, decode.Corner(c))
		}
	}
	return &l
}

// Get returns the threshold of that name for the corner (NoCorner: the vehicle).
func (l *Limits) Get(name LimitName, c decode.Corner) Threshold { return l[name][c] }

func threshold(name LimitName, card *jobcard.Card, c decode.Corner) Threshold {
	d := limitDefaults[name]
	t := Threshold{Name: name, Value: d.value, Unit: d.unit, Known: d.known, From: "default"}
	if !d.known {
		t.From = "none"
	}
	if n := onCard(name, card, c); n.Known {
		t.Value, t.Known, t.From = n.Value, true, "card"
	}
	return t
}

func onCard(name LimitName, card *jobcard.Card, c decode.Corner) jobcard.Number {
	if card == nil {
		return jobcard.Number{}
	}
	spring, height := card.Springs[c], card.Heights[c]
	switch {
	case name == LimitLeast && spring != nil:
		return spring.LeastBar
	case name == LimitGreatest && spring != nil:
		return spring.GreatestBar
	case name == LimitHeightTolerance && height != nil && height.ToleranceMM.Known:
		return height.ToleranceMM
	}
	v, ok := card.Limits[name.String()]
	return jobcard.Number{Value: v.Value, Known: ok}
}
