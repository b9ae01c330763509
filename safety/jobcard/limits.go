package jobcard

import (
	"ridewitness/decode/document"
	"ridewitness/decode/quantity"
)

// LimitName is a threshold of the rules that a card may override.
type LimitName struct {
	Name  string
	Unit  quantity.Unit // of Limit.Value; a card may use any unit of the same dimension
	Least float64       // the bounds that a card may choose from, in Unit
	Most  float64
	Means string
}

// LimitNames lists every threshold that a card may override, in the units in which the rules count. The
// bounds keep a slipped decimal point from switching a rule off (our own choice). A leak under 0.1 ml/min
// can't be told from what the rubber of a bellows lets through (computed from values from memory), and no
// engine runs under 100/min: crankshafts turn 100 to 250 while the starter works (common practice).
var LimitNames = []LimitName{
	{"leak", quantity.MillilitrePerMinute, 0.1, 10000, "greatest leak that still counts as tight, at ANR (ISO 8778)"},
	{"side_difference", quantity.Millimetre, 1, 100, "greatest difference in height between left and right"},
	{"run_before_lowering", quantity.Second, 1, 3600, "how long the engine runs between first ground contact and lowering"},
	{"compressor_run", quantity.Second, 1, 7200, "how long the compressor may run without a rest"},
	{"residual_pressure", quantity.Bar, 0.05, 1, "greatest pressure behind a line that is opened"},
	{"closing", quantity.Millimetre, 2, 20, "how far a corner comes down before it counts as closing"},
	{"bump_stop_share", quantity.One, 0.3, 0.95, "share of its standing pressure below which a corner counts as lying on its bump stop"},
	{"engine_speed", quantity.RPM, 100, 1500, "speed from which on the engine runs"},
	{"low_voltage", quantity.Volt, 6, 48, "least supply voltage while valves or compressor work"},
	{"settle", quantity.Second, 10, 3600, "time after the last air movement before a leak is measured"},
	{"height_tolerance", quantity.Millimetre, 1, 50, "how far a height may be off its reference"},
}

// readLimits reads the thresholds that the card overrides, each in its own unit. A name that no rule knows
// is refused: a threshold believed to be set and not used is worse than none.
func (l *loader) readLimits(n document.Node) {
	m, ok := n.Map(limitKeys()...)
	if !ok {
		return
	}
	// a name that is not there stays out of the map: the default is the rule's business, not the card's
	l.card.Limits = map[string]Limit{}
	for _, name := range LimitNames {
		if v := within(m.Get(name.Name), name.Unit, name.Least, name.Most); v.Known {
			l.card.Limits[name.Name] = Limit{v.Value, name.Unit.Name}
		}
	}
}

// limitKeys lists the names of LimitNames.
func limitKeys() []string {
	keys := make([]string, len(LimitNames))
	for i, name := range LimitNames {
		keys[i] = name.Name
	}
	return keys
}
