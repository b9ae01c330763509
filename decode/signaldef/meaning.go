package signaldef

// What a signal is about: quantity, corner, unit and reference. The rules know signals by quantity and
// corner alone, so what contradicts a quantity is refused here and can't reach a rule.

import (
	"slices"

	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/decode/quantity"
)

// meaning says what the format demands of a signal of a quantity.
type meaning struct {
	dimension  quantity.Dimension // of its unit
	corner     cornerRule
	references []string // the words allowed; the reference is needed when the quantity is a pressure
	states     []string // the words of its states by the rules; nil: a number
}

// cornerRule says whether a signal of a quantity has a corner.
type cornerRule uint8

const (
	cornerFree   cornerRule = iota // one of a corner, or one of the vehicle
	cornerNeeded                   // means nothing without
	cornerNone                     // there is one in a vehicle
)

// The words of states and references. The rules ask for states by these names, so others would be read
// and never seen.
var (
	offOn      = []string{"off", "on"}
	closedOpen = []string{"closed", "open"}
	gaugeOrAbs = []string{"gauge", "absolute"}
)

// meanings holds for each quantity what the rules take for granted. Other is the way out: anything may be
// shown under it, and no rule looks at it.
var meanings = map[decode.Quantity]meaning{
	decode.Pressure:           {quantity.Pressure, cornerNeeded, gaugeOrAbs, nil},
	decode.Height:             {quantity.Length, cornerNeeded, []string{"design"}, nil},
	decode.AirTemperature:     {quantity.Temperature, cornerFree, nil, nil},
	decode.AmbientTemperature: {quantity.Temperature, cornerNone, nil, nil},
	decode.BarometricPressure: {quantity.Pressure, cornerNone, []string{"absolute"}, nil},
	decode.SupplyPressure:     {quantity.Pressure, cornerNone, gaugeOrAbs, nil},
	decode.EngineSpeed:        {quantity.Rotation, cornerNone, nil, nil},
	decode.VehicleSpeed:       {quantity.Speed, cornerNone, nil, nil},
	decode.BatteryVoltage:     {quantity.Voltage, cornerNone, nil, nil},
	decode.Ignition:           {quantity.Number, cornerNone, nil, offOn},
	decode.Compressor:         {quantity.Number, cornerNone, nil, offOn},
	decode.Valve:              {quantity.Number, cornerFree, nil, closedOpen},
	decode.Other:              {quantity.Number, cornerFree, gaugeOrAbs, nil},
}

// unitNames are the units that definitions may use. Fewer than package quantity knows: a definition is
// read by people who check it with a pencil, so values stay in the units of data sheets.
var unitNames = []string{"bar", "kPa", "Pa", "mm", "m", "degC", "K", "rpm", "km/h", "V"}

// readMeaning reads what the signal is about. Without a known quantity the rest can't be checked against
// it, and is not, so that one misspelt word brings one message.
func (e *entry) readMeaning() {
	names := quantityNames()
	word, ok := e.body.Need("quantity", "what it measures, such as pressure").Word(names...)
	if !ok {
		e.body.Get("unit").Word(unitNames...)
		return
	}
	e.Quantity = decode.Pressure + decode.Quantity(slices.Index(names, word))
	means := meanings[e.Quantity]
	e.readCorner(means)
	e.readUnit(means)
	e.readReference(means)
}

// quantityNames lists the quantities in the order of package decode.
func quantityNames() []string {
	names := make([]string, 0, len(meanings))
	for q := decode.Pressure; q <= decode.Other; q++ {
		names = append(names, q.String())
	}
	return names
}

// readCorner reads the corner where the quantity has one. A corner on an engine speed would be ignored by
// every rule, so it is refused rather than believed.
func (e *entry) readCorner(means meaning) {
	n := e.body.Get("corner")
	switch {
	case !n.Exists() && means.corner == cornerNeeded:
		e.body.Need("corner", cornerHint(e.Quantity))
	case n.Exists() && means.corner == cornerNone:
		n.Refuse(e.Quantity.String()+" belongs to the whole vehicle", "no corner")
	case n.Exists():
		e.Corner = readCorner(n)
	}
}

// cornerHint says which corners there are, and what else may have been meant.
func cornerHint(q decode.Quantity) string {
	hint := "front-left, front-right, rear-left or rear-right"
	if q == decode.Pressure {
		hint += " (for the reservoir: quantity: supply-pressure)"
	}
	return hint
}

// readCorner reads the name of a corner. A third axle can be shown, but no rule knows it.
func readCorner(n document.Node) decode.Corner {
	word, ok := n.Text()
	if !ok {
		return decode.NoCorner
	}
	c, known := decode.ParseCorner(word)
	if !known {
		n.Refuse(n.Shown()+" is no corner", "front-left, front-right, rear-left or rear-right; on a third axle: quantity: other")
	}
	return c
}

// readUnit reads the unit and holds its dimension against the quantity: a pressure in millimetres is a
// row copied and half changed.
func (e *entry) readUnit(means meaning) {
	n := e.body.Get("unit")
	switch {
	case e.stated():
		n.Refuse("a signal with states has no unit", "no unit")
		return
	case !n.Exists() && e.Quantity == decode.Other:
		return
	case !n.Exists():
		e.body.Need("unit", unitsOf(means.dimension))
		return
	}
	word, ok := n.Word(unitNames...)
	if !ok {
		return
	}
	e.Unit, _ = quantity.ByName(word)
	if e.Quantity != decode.Other && e.Unit.Dimension != means.dimension {
		n.Refuse(word+" is no unit of "+e.Quantity.String(), unitsOf(means.dimension))
	}
}

// stated reports whether the signal has words for values and no number.
func (e *entry) stated() bool {
	return meanings[e.Quantity].states != nil || e.Quantity == decode.Other && e.body.Get("states").Exists()
}

// unitsOf lists the units of definitions that measure this dimension.
func unitsOf(d quantity.Dimension) string {
	names := slices.DeleteFunc(quantity.Names(d), func(name string) bool { return !slices.Contains(unitNames, name) })
	return document.OneOf(names)
}

// readReference reads what a pressure or height is measured from. For pressures there is no default:
// between gauge and absolute lies just the 1 bar at which an empty spring passes for a full one (H01).
// Barometric pressure is absolute by nature, and has to say so like the rest.
func (e *entry) readReference(means meaning) {
	n := e.body.Get("reference")
	pressure := e.Unit.Dimension == quantity.Pressure || means.dimension == quantity.Pressure
	switch {
	case !n.Exists() && pressure && e.Quantity != decode.Other:
		e.body.Need("reference", document.OneOf(means.references)+": an absolute sensor taken for gauge shows 1 bar that is not there")
	case n.Exists() && (means.references == nil || e.Quantity == decode.Other && !pressure):
		n.Refuse(e.Quantity.String()+" has no reference", "no reference")
	case n.Exists():
		word, _ := n.Word(means.references...)
		e.Reference = references[word]
	}
}

// references are the words of package decode, read backwards.
var references = map[string]decode.Reference{
	"gauge": decode.Gauge, "absolute": decode.Absolute, "design": decode.Design,
}
