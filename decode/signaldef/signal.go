package signaldef

import (
	"math"
	"regexp"
	"unicode/utf8"

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
	// the order counts: the origin bounds the field, the field bounds the patterns, and patterns that are
	// invalid can't be states
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

// nameForm keeps names usable as they are in tables, in file exports and on a command line. Their
// length is counted apart: as a repetition in the pattern it took two thirds of the program's start.
var nameForm = regexp.MustCompile(`^[\p{L}_][\p{L}\p{N}_.-]*$`)

const longestName = 64 // letters

// readName reads the name under which the signal stands in every finding.
func readName(n document.Node) string {
	name, ok := n.Text()
	if ok && (!nameForm.MatchString(name) || utf8.RuneCountInString(name) > longestName) {
		n.Refuse(n.Shown()+" is no name", "up to 64 letters, digits, '_', '-' and '.', a letter first")
	}
	return name
}

// readWhen reads the selector of a multiplexed frame. It lies in the same payload as the field.
func (e *entry) readWhen() {
	m, ok := e.body.Get("when").Map(whenKeys...)
	if !ok {
		return
	}
	w := &decode.When{Field: readField(m, payloadLimit(e.Origin))}
	w.Equals, _ = m.Need("equals", "the bit pattern under the mask").Uint(0, maxRaw(w.Field.Mask))
	e.When = w
}

// readValidWhile reads when a shared sensor speaks for this corner. That the other signal exists and has
// the state is checked when all signals are read.
func readValidWhile(n document.Node) *decode.ValidWhile {
	m, ok := n.Map(validWhileKeys...)
	if !ok {
		return nil
	}
	w := &decode.ValidWhile{}
	w.Signal, _ = m.Need("signal", "the name of a signal with states").Text()
	w.Equals, _ = m.Need("equals", "one of that signal's states").Text()
	// without alone, two open valves would give both corners the pressure of the block
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

// proofs are the words of package decode, read backwards.
var proofs = map[string]decode.Proof{
	"proven": decode.Proven, "assumed": decode.Assumed, "contradicted": decode.Contradicted,
}

// readProof reads how sure the definition is and how exact its values are. Left out, it is assumed: proof
// is something that a person claims by writing it down.
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
