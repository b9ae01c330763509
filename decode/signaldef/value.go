package signaldef

// How a value comes out of a field, and which values are none:
//
//	raw --invalid_raw--> invalid
//	 |  --states-------> a word; patterns without one are invalid
//	 +-- x scale + offset --> value --outside valid--> out of range, the value is kept
//
// invalid_raw and states name patterns before sign and scale, as the standards that reserve patterns
// do (SAE J1939-71: 0xFE00 to 0xFEFF is an error in any two-byte field, signed or not).

import (
	"fmt"
	"math"

	"ridewitness/decode"
	"ridewitness/decode/document"
)

// readScale reads scale and offset, 1 and 0 where they are left out. States are patterns, not numbers, so
// a scale on them would promise something that nobody computes.
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
		e.checkFinite(scale)
		return
	}
	if e.Scale != 1 {
		scale.Refuse("a state has no scale", "no scale")
	}
	if e.Offset != 0 {
		offset.Refuse("a state has no offset", "no offset")
	}
}

// checkFinite refuses a scale that turns the greatest pattern into an infinity, which no range would
// catch where none is given.
func (e *entry) checkFinite(scale document.Node) {
	least, most := rawBounds(e.Field)
	for _, raw := range []float64{least, most} {
		if math.IsInf(raw*e.Scale+e.Offset, 0) {
			scale.Refuse(fmt.Sprintf("the field times %g is out of range", e.Scale), "values that fit into 64 bits")
			return
		}
	}
}

// readValid reads the range outside of which a value is reported as out of range. Both ends are needed: a
// missing end would read as 'anything goes' on the side that somebody forgot.
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
	// a falling scale turns the ends around
	a, b := first*e.Scale+e.Offset, last*e.Scale+e.Offset
	low, high := math.Min(a, b), math.Max(a, b)
	if high < e.ValidMin || low > e.ValidMax {
		n.Refuse(fmt.Sprintf("the field reaches from %g to %g, never into %g to %g", low, high, e.ValidMin, e.ValidMax),
			"a range in the unit of the signal, after scale and offset")
	}
}

// readInvalidRaw reads single bit patterns and ranges of them. The list may overlap itself and may
// leave out what valid excludes anyway: both are harmless, and makers' papers are written so.
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

// readRawRange reads 0xFFF or {from: 0xFB00, to: 0xFFFF}; most is the greatest pattern under the mask. A
// pattern that can't occur is a sign that it was written before the shift by the mask.
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

// readStates reads the words of bit patterns. Patterns without a word are no mistake here: the decoder
// reports them as invalid.
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
		n.Refuse(e.Quantity.String()+" is a number", "no states")
		return
	}
	if len(pairs) == 0 {
		n.Refuse("the map is empty", "at least one bit pattern and its word")
	}
	// the map is made in any case: that there are states, even wrong ones, keeps the rest of the
	// checks from taking the signal for a number
	e.States = make(map[uint64]string, len(pairs))
	for _, p := range pairs {
		e.readState(p, words)
	}
}

// readState reads one pattern and its word. 1 and 0x1 are one pattern in two spellings, which YAML takes
// for two keys.
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
