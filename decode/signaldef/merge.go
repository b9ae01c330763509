package signaldef

// Several sets of definitions become one:
//
//	j1939     pressure x4   height x4   engine-speed ...
//	own.yaml  pressure rear-left                            lamp (other)
//	merged    pressure x4, the rear-left one own's   ...    lamp
//
// Bits that two sets read in common are no mistake here: somebody who brings a second opinion on the
// same bytes, under another quantity, meant to.

import (
	"fmt"
	"slices"

	"ridewitness/decode"
)

// Replaced is a signal that a later set of definitions replaced.
type Replaced struct {
	Old, New decode.Signal
}

// String says what was replaced by what, and where both stand.
func (r Replaced) String() string {
	return fmt.Sprintf("%s: %s (%s) replaces %s (%s)", roleOf(&r.Old), r.New.Name, r.New.Place, r.Old.Name, r.Old.Place)
}

// MergeError says why two sets of definitions do not go together.
type MergeError struct {
	Place   string // of the later signal
	Signal  string
	Problem string
	Want    string
}

// Error returns 'b.yaml:7:5: rear_left: ..., expected ...'.
func (e *MergeError) Error() string {
	return fmt.Sprintf("%s: %s: %s, expected %s", e.Place, e.Signal, e.Problem, e.Want)
}

// Merge puts sets of definitions together, which Load returned. Of two signals of one (corner,
// quantity) the later one counts and takes the place of the earlier; signals of quantity `other`
// are replaced by their name. The error is a *MergeError.
func Merge(sets ...[]decode.Signal) ([]decode.Signal, []Replaced, error) {
	var merged []decode.Signal
	var replaced []Replaced
	for _, set := range sets {
		for _, s := range set {
			// sets are short and merged once; order is kept, so that exports of two runs compare
			i := slices.IndexFunc(merged, func(old decode.Signal) bool { return replaces(&s, &old) })
			if i < 0 {
				merged = append(merged, s)
				continue
			}
			replaced = append(replaced, Replaced{merged[i], s})
			merged[i] = s
		}
	}
	return merged, replaced, checkMerged(merged)
}

// replaces reports whether s takes the place of old. Signals of quantity other have no role that could
// be doubled, so only their names tell that the same thing is meant.
func replaces(s, old *decode.Signal) bool {
	if s.Quantity == decode.Other || old.Quantity == decode.Other {
		return s.Quantity == old.Quantity && s.Name == old.Name
	}
	return roleOf(s) == roleOf(old)
}

// checkMerged checks what each set had checked for itself: names, what signals wait for, and who
// speaks to whom.
func checkMerged(merged []decode.Signal) error {
	byName := make(map[string]*decode.Signal, len(merged))
	for i := range merged {
		s := &merged[i]
		if other := byName[s.Name]; other != nil {
			return &MergeError{s.Place, s.Name, "is the name of a signal in " + other.Place + " too", "a name of its own"}
		}
		byName[s.Name] = s
	}
	for i := range merged {
		s := &merged[i]
		if s.ValidWhile == nil {
			continue
		}
		target := byName[s.ValidWhile.Signal]
		if target == nil || !hasState(target, s.ValidWhile.Equals) {
			return &MergeError{s.Place, s.Name, "waits for " + s.ValidWhile.Signal + " to be " + s.ValidWhile.Equals + ", which was replaced",
				"a signal of that name and state"}
		}
	}
	return checkMergedPairs(merged)
}

// sameLength reports whether two signals of one identifier agree about its length, or do not both
// state one.
func sameLength(a, b decode.Origin) bool {
	same := a.Address == b.Address && a.Identifier == b.Identifier
	return !same || a.Length == b.Length || a.Length == 0 || b.Length == 0
}

// checkMergedPairs refuses conversations of different sets that a listener would mix up: an answer given
// to the wrong request is a value of the wrong sensor.
func checkMergedPairs(merged []decode.Signal) error {
	for i := range merged {
		for j := range i {
			a, b := &merged[j], &merged[i]
			if a.Origin.Kind != decode.FromIdentifier || b.Origin.Kind != decode.FromIdentifier || !sameBus(a.Origin.Bus, b.Origin.Bus) {
				continue
			}
			if why := Collide(b.Origin.Address, a.Origin.Address); why != "" {
				return &MergeError{b.Place, b.Name, why + " of " + a.Name + " (" + a.Place + ")", "a response identifier for each request identifier"}
			}
			if !sameLength(a.Origin, b.Origin) {
				return &MergeError{b.Place, b.Name, fmt.Sprintf("its identifier has %d bytes, and %d in %s", b.Origin.Length, a.Origin.Length, a.Place),
					"the same length everywhere"}
			}
		}
	}
	return nil
}
