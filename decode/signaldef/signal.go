package signaldef

import (
	"fmt"
	"math"
	"regexp"
	"slices"

	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/decode/quantity"
)

// signalKeys are the keys of a signal, in the order in which they are usually written.
var signalKeys = []string{"name", "corner", "quantity", "unit", "reference", "from", "bytes", "order", "mask", "signed",
	"scale", "offset", "valid", "invalid_raw", "states", "when", "valid_while", "proof", "uncertainty"}

// The keys of the smaller maps.
var (
	fileKeys       = []string{"version", "signals"}
	validKeys      = []string{"min", "max"}
	whenKeys       = []string{"bytes", "order", "mask", "equals"}
	validWhileKeys = []string{"signal", "equals", "alone", "settled"}
)

// readSignal reads one signal. It is false when the node is no map; any other mistake is noted and
// the signal is not used, as Load returns no signal of a file with a mistake.
func readSignal(item document.Node) (entry, bool) {
	m, ok := item.Map(signalKeys...)
	if !ok {
		return entry{}, false
	}
	e := entry{at: item, body: m}
	e.Place = item.Place()
	e.Name = readName(m.Need("name", "a name such as rear_left_pressure"))
	e.readMeaning()
	e.Origin = readOrigin(m.Need("from", "where the payload comes from, such as {frame: 0x4A1, format: standard}"))
	e.Field = readField(m, payloadLimit(e.Origin))
	e.readScale()
	e.readValid()
	e.readInvalidRaw()
	e.readStates()
	e.readWhen()
	e.ValidWhile = readValidWhile(m.Get("valid_while"))
	e.readProof()
	return e, true
}

var nameForm = regexp.MustCompile(`^[\p{L}_][\p{L}\p{N}_.-]{0,63}$`)

func readName(n document.Node) string {
	name, ok := n.Text()
	if ok && !nameForm.MatchString(name) {
		n.Refuse(n.Shown()+" is no name", "up to 64 letters, digits, '_', '-' and '.', a letter first")
	}
	return name
}

// meaning says what the format demands of a signal of a quantity.
type meaning struct {
	dimension  quantity.Dimension
	corner     cornerRule
	references []string // the words allowed; the reference is needed when the quantity is a pressure
	states     []string // the words of its states by the rules; nil: a number
}

type cornerRule uint8

const (
	cornerFree cornerRule = iota
	cornerNeeded
	cornerNone
)

var (
	offOn      = []string{"off", "on"}
	closedOpen = []string{"closed", "open"}
	gaugeOrAbs = []string{"gauge", "absolute"}
)

var meanings = map[decode.Quantity]meaning{
	decode.Pressure:           {quantity.PressureDim, cornerNeeded, gaugeOrAbs, nil},
	decode.Height:             {quantity.Length, cornerNeeded, []string{"design"}, nil},
	decode.AirTemperature:     {quantity.Temperature, cornerFree, nil, nil},
	decode.AmbientTemperature: {quantity.Temperature, cornerNone, nil, nil},
	decode.BarometricPressure: {quantity.PressureDim, cornerNone, []string{"absolute"}, nil},
	decode.SupplyPressure:     {quantity.PressureDim, cornerNone, gaugeOrAbs, nil},
	decode.EngineSpeed:        {quantity.Rotation, cornerNone, nil, nil},
	decode.VehicleSpeed:       {quantity.Speed, cornerNone, nil, nil},
	decode.BatteryVoltage:     {quantity.Voltage, cornerNone, nil, nil},
	decode.Ignition:           {quantity.Number, cornerNone, nil, offOn},
	decode.Compressor:         {quantity.Number, cornerNone, nil, offOn},
	decode.Valve:              {quantity.Number, cornerFree, nil, closedOpen},
	decode.Other:              {quantity.Number, cornerFree, gaugeOrAbs, nil},
}

// unitNames are the units that definitions may use.
var unitNames = []string{"bar", "kPa", "Pa", "mm", "m", "degC", "K", "rpm", "km/h", "V"}

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

func quantityNames() []string {
	names := make([]string, 0, len(meanings))
	for q := decode.Pressure; q <= decode.Other; q++ {
		names = append(names, q.String())
	}
	return names
}

func (e *entry) readCorner(means meaning) {
	n := e.body.Get("corner")
	switch {
	case !n.Exists() && means.corner == cornerNeeded:
		e.body.Need("corner", cornerHint(e.Quantity))
	case n.Exists() && means.corner == cornerNone:
		n.Refuse("a "+e.Quantity.String()+" belongs to the whole vehicle", "no corner")
	case n.Exists():
		e.Corner = readCorner(n)
	}
}

func cornerHint(q decode.Quantity) string {
	hint := "front-left, front-right, rear-left or rear-right"
	if q == decode.Pressure {
		hint += " (for the reservoir: quantity: supply-pressure)"
	}
	return hint
}

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

func unitsOf(d quantity.Dimension) string {
	names := slices.DeleteFunc(quantity.Names(d), func(name string) bool { return !slices.Contains(unitNames, name) })
	return document.OneOf(names)
}

func (e *entry) readReference(means meaning) {
	n := e.body.Get("reference")
	pressure := e.Unit.Dimension == quantity.PressureDim || means.dimension == quantity.PressureDim
	switch {
	case !n.Exists() && pressure && e.Quantity != decode.Other:
		e.body.Need("reference", document.OneOf(means.references)+": an absolute sensor taken for gauge shows 1 bar that is not there")
	case n.Exists() && (means.references == nil || e.Quantity == decode.Other && !pressure):
		n.Refuse("a "+e.Quantity.String()+" has no reference", "no reference")
	case n.Exists():
		word, _ := n.Word(means.references...)
		e.Reference = references[word]
	}
}

var references = map[string]decode.Reference{
	"gauge": decode.Gauge, "absolute": decode.Absolute, "design": decode.Design,
}

func (e *entry) readScale() {
	e.Scale = 1
	scale, offset := e.body.Get("scale"), e.body.Get("offset")
	if v, ok := scale.Number(); ok {
		e.Scale = v
	}
	if e.Scale == 0 {
		scale.Refuse("with 0 every value is the same", "a number other than 0")
	}
	e.Offset, _ = offset.Number()
	if !e.stated() {
		return
	}
	if e.Scale != 1 {
		scale.Refuse("a state has no scale", "no scale")
	}
	if e.Offset != 0 {
		offset.Refuse("a state has no offset", "no offset")
	}
}

func (e *entry) readValid() {
	n := e.body.Get("valid")
	m, ok := n.Map(validKeys...)
	if !ok {
		return
	}
	least, okLeast := m.Need("min", "the least value, in the unit of the signal").Number()
	most, okMost := m.Need("max", "the greatest value, in the unit of the signal").Number()
	if !okLeast || !okMost {
		return
	}
	e.HasValid, e.ValidMin, e.ValidMax = true, least, most
	switch {
	case e.stated():
		n.Refuse("a signal with states has no range", "no valid; name the other patterns in invalid_raw")
	case least >= most:
		n.Refuse(fmt.Sprintf("min %g is not below max %g", least, most), "min below max")
	case e.Field.Mask != 0 && e.Scale != 0:
		e.checkReach(n)
	}
}

// checkReach refuses a range that no bit pattern can lead into: scale, offset, sign or unit of one
// of the two is wrong.
func (e *entry) checkReach(n document.Node) {
	first, last := rawBounds(e.Field)
	a, b := first*e.Scale+e.Offset, last*e.Scale+e.Offset
	low, high := math.Min(a, b), math.Max(a, b)
	if high < e.ValidMin || low > e.ValidMax {
		n.Refuse(fmt.Sprintf("the field reaches from %g to %g, never into %g to %g", low, high, e.ValidMin, e.ValidMax),
			"a range in the unit of the signal, after scale and offset")
	}
}

// readInvalidRaw reads single bit patterns and ranges of them.
func (e *entry) readInvalidRaw() {
	list, ok := e.body.Get("invalid_raw").List("a list such as [0xFFF] or [{from: 0xFB00, to: 0xFFFF}]")
	if !ok {
		return
	}
	most := maxRaw(e.Field.Mask)
	for _, item := range list {
		if r, ok := readRawRange(item, most); ok {
			e.InvalidRaw = append(e.InvalidRaw, r)
		}
	}
}

func readRawRange(item document.Node, most uint64) (decode.RawRange, bool) {
	if !item.IsMap() {
		v, ok := item.Uint(0, most)
		return decode.RawRange{From: v, To: v}, ok
	}
	m, ok := item.Map("from", "to")
	if !ok {
		return decode.RawRange{}, false
	}
	from, okFrom := m.Need("from", "the first bit pattern").Uint(0, most)
	to, okTo := m.Need("to", "the last bit pattern").Uint(0, most)
	if okFrom && okTo && from > to {
		item.Refuse(fmt.Sprintf("the range from 0x%X to 0x%X runs backwards", from, to), "the lower pattern first")
		return decode.RawRange{}, false
	}
	return decode.RawRange{From: from, To: to}, okFrom && okTo
}

func (e *entry) readStates() {
	n := e.body.Get("states")
	words := meanings[e.Quantity].states
	if words != nil && !n.Exists() {
		e.body.Need("states", fmt.Sprintf("a map such as {0: %s, 1: %s}", words[0], words[1]))
		return
	}
	pairs, ok := n.Pairs("a map such as {0: off, 1: on}")
	if !ok {
		return
	}
	if e.Quantity != decode.QuantityUnknown && words == nil && e.Quantity != decode.Other {
		n.Refuse("a "+e.Quantity.String()+" is a number", "no states")
		return
	}
	if len(pairs) == 0 {
		n.Refuse("the map is empty", "at least one bit pattern and its word")
	}
	e.States = make(map[uint64]string, len(pairs))
	for _, p := range pairs {
		e.readState(p, words)
	}
}

func (e *entry) readState(p document.Pair, words []string) {
	raw, ok := p.Key.Uint(0, maxRaw(e.Field.Mask))
	if !ok {
		return
	}
	if _, twice := e.States[raw]; twice {
		p.Key.Refuse("names the same bit pattern as a key before it", "each pattern once")
		return
	}
	for _, r := range e.InvalidRaw {
		if raw >= r.From && raw <= r.To {
			p.Key.Refuse("is listed in invalid_raw too", "a pattern in one of the two")
		}
	}
	var word string
	if words != nil {
		word, _ = p.Value.Word(words...)
	} else {
		word, _ = p.Value.Text()
	}
	e.States[raw] = word
}

func (e *entry) readWhen() {
	m, ok := e.body.Get("when").Map(whenKeys...)
	if !ok {
		return
	}
	w := &decode.When{Field: readField(m, payloadLimit(e.Origin))}
	w.Equals, _ = m.Need("equals", "the bit pattern under the mask").Uint(0, maxRaw(w.Field.Mask))
	e.When = w
}

func readValidWhile(n document.Node) *decode.ValidWhile {
	m, ok := n.Map(validWhileKeys...)
	if !ok {
		return nil
	}
	w := &decode.ValidWhile{}
	w.Signal, _ = m.Need("signal", "the name of a signal with states").Text()
	w.Equals, _ = m.Need("equals", "one of that signal's states").Text()
	w.Alone, _ = m.Get("alone").Bool()
	settled := m.Get("settled")
	if s, ok := settled.Quantity(quantity.Second); ok {
		if s < 0 || s > maxSettledSeconds {
			settled.Refuse(settled.Shown()+" is out of range", "0 s to 10 min")
			return w
		}
		w.SettledNS = int64(math.Round(s * 1e9))
	}
	return w
}

// maxSettledSeconds bounds `settled`: a line between valve and sensor settles within seconds.
const maxSettledSeconds = 600

var proofs = map[string]decode.Proof{
	"proven": decode.Proven, "assumed": decode.Assumed, "contradicted": decode.Contradicted,
}

func (e *entry) readProof() {
	word, _ := e.body.Get("proof").Word("proven", "assumed", "contradicted")
	e.Proof = proofs[word]
	n := e.body.Get("uncertainty")
	if v, ok := n.Number(); ok {
		e.Uncertainty = v
		switch {
		case e.stated():
			n.Refuse("a state has no uncertainty", "no uncertainty")
		case v <= 0:
			n.Refuse(n.Shown()+" is no standard deviation", "a number above 0, in the unit of the signal")
		}
	}
}
