package signaldef

// A listener knows a conversation by what it sees of it (ISO 15765-2):
//
//	normal     0x6D4 request              0x6DC answer
//	mixed      0x6D4 3A request           0x6DC 3A answer      one byte for both directions
//	extended   0x6F1 40 request           0x640 F1 answer      each direction names its target
//
// Two conversations that look the same in one direction would get each other's answers.

import (
	"fmt"
	"slices"
	"strings"

	"ridewitness/capture"
	"ridewitness/decode"
)

// listener is what a listener sees of one direction of a diagnostic address: two addresses with the
// same one can't be told apart.
type listener struct {
	id       capture.ID
	extended bool
	first    int // the byte that goes first, or noByte
}

// noByte stands for an address without a first byte of its own.
const noByte = -1

// answersOf returns what a listener sees of the control unit's direction.
func answersOf(a decode.Address) listener {
	return listener{a.Response, a.Extended, firstByte(a, a.ReplyTarget)}
}

// requestsOf returns what a listener sees of the tester's direction.
func requestsOf(a decode.Address) listener {
	return listener{a.Request, a.Extended, firstByte(a, a.RequestTarget)}
}

// firstByte returns the byte that goes first in each frame: the extension of mixed addressing, or the
// target of extended addressing, which differs by direction (ISO 15765-2, addressing formats).
func firstByte(a decode.Address, target uint8) int {
	switch {
	case a.Mixed:
		return int(a.Extension)
	case a.ByTarget:
		return int(target)
	default:
		return noByte
	}
}

// meets reports whether one message could belong to both: a direction with a first byte and one
// without can't share an identifier.
func (s listener) meets(t listener) bool {
	return s.id == t.id && s.extended == t.extended && (s.first == t.first || s.first == noByte || t.first == noByte)
}

// Collide says why two different addresses on one bus can't be told apart by a listener: "its
// answers can't be told from those". It returns "" for addresses that can, and for the same one.
func Collide(a, b decode.Address) string {
	switch {
	case a == b:
		return ""
	case answersOf(a).meets(answersOf(b)):
		return "its answers can't be told from those"
	case answersOf(a).meets(requestsOf(b)), requestsOf(a).meets(answersOf(b)):
		return "its requests and answers can't be told from those"
	default:
		return ""
	}
}

// checkPairs refuses two conversations of one file that can't be told apart. One address is compared
// once, however many signals share it.
func (l *loader) checkPairs() {
	var seen []*entry
	for i := range l.entries {
		e := &l.entries[i]
		if e.Origin.Kind != decode.FromIdentifier {
			continue
		}
		fresh := true // no signal before it has this address
		for _, other := range seen {
			if !sameBus(e.Origin.Bus, other.Origin.Bus) {
				continue
			}
			fresh = fresh && e.Origin.Address != other.Origin.Address
			if why := Collide(e.Origin.Address, other.Origin.Address); why != "" {
				e.body.Get("from").Refuse(fmt.Sprintf("%s of %s in line %d", why, other.Name, other.at.Line()),
					"a response identifier for each request identifier")
				fresh = false
				break
			}
		}
		if fresh {
			seen = append(seen, e)
		}
	}
}

// sameBus reports whether one frame could belong to both; "" is every bus.
func sameBus(a, b string) bool { return a == b || a == "" || b == "" }

// hasState reports whether the signal can ever have that state.
func hasState(s *decode.Signal, word string) bool {
	for _, w := range s.States {
		if w == word {
			return true
		}
	}
	return false
}

// stateWords lists the states of a signal, sorted, each word once: two patterns may share one.
func stateWords(s *decode.Signal) string {
	var words []string
	for _, w := range s.States {
		if !slices.Contains(words, w) {
			words = append(words, w)
		}
	}
	if len(words) == 0 {
		return "a signal with states"
	}
	slices.Sort(words)
	return strings.Join(words, " or ")
}
