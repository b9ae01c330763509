package signaldef

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

const noByte = -1

func answersOf(a decode.Address) listener {
	return listener{a.Response, a.Extended, firstByte(a, a.ReplyTarget)}
}

func requestsOf(a decode.Address) listener {
	return listener{a.Request, a.Extended, firstByte(a, a.RequestTarget)}
}

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

func (l *loader) checkPairs() {
	var seen []*entry
	for i := range l.entries {
		e := &l.entries[i]
		if e.Origin.Kind != decode.FromIdentifier {
			continue
		}
		fresh := true
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

func sameBus(a, b string) bool { return a == b || a == "" || b == "" }

func hasState(s *decode.Signal, word string) bool {
	for _, w := range s.States {
		if w == word {
			return true
		}
	}
	return false
}

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
