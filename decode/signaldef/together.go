package signaldef

// What no signal shows alone. Each check takes all signals, in the order of the file, so that the later
// of two is the one to blame: the first one was there when the second was written.

import (
	"fmt"

	"ridewitness/decode"
	"ridewitness/decode/document"
)

// checkTogether checks what no signal shows alone. Each mistake is noted at the later of the two.
func (l *loader) checkTogether() {
	l.checkNames()
	l.checkQuantities()
	l.checkReferences()
	l.checkPairs()
	l.checkLengths()
	l.checkOverlaps()
}

// checkNames refuses two signals of one name: findings and exports tell signals apart by it.
func (l *loader) checkNames() {
	first := map[string]*entry{}
	for i := range l.entries {
		e := &l.entries[i]
		if other := first[e.Name]; other != nil {
			e.body.Get("name").Refuse(fmt.Sprintf("%s is the name of the signal in line %d too", e.Name, other.at.Line()), "a name of its own")
			continue
		}
		first[e.Name] = e
	}
}

// role is what a signal tells the rules; all but `other` may have one signal each.
type role struct {
	corner   decode.Corner
	quantity decode.Quantity
}

// String returns 'the pressure of rear-left', or 'the engine-speed' of the whole vehicle.
func (r role) String() string {
	if r.corner == decode.NoCorner {
		return "the " + r.quantity.String()
	}
	return "the " + r.quantity.String() + " of " + r.corner.String()
}

// roleOf returns the role of a signal of any quantity but other.
func roleOf(s *decode.Signal) role { return role{s.Corner, s.Quantity} }

// checkQuantities refuses a second signal for one role. A rule that had two rear-left pressures would have
// to choose, and whichever it chose could be the one that is wrong.
func (l *loader) checkQuantities() {
	first := map[role]*entry{}
	for i := range l.entries {
		e := &l.entries[i]
		if e.Quantity == decode.Other {
			continue
		}
		r := roleOf(&e.Signal)
		if other := first[r]; other != nil {
			e.body.Get("quantity").Refuse(fmt.Sprintf("%s is %s in line %d already", r, other.Name, other.at.Line()),
				"one signal for it; give the other `quantity: other`")
			continue
		}
		first[r] = e
	}
}

// checkReferences looks up the signals that shared sensors wait for. A name that is no signal would mean
// that the sensor never speaks, and nothing would say why.
func (l *loader) checkReferences() {
	byName := map[string]*entry{}
	for i := range l.entries {
		byName[l.entries[i].Name] = &l.entries[i]
	}
	for i := range l.entries {
		e := &l.entries[i]
		if e.ValidWhile == nil {
			continue
		}
		m, _ := e.body.Get("valid_while").Map(validWhileKeys...)
		target := byName[e.ValidWhile.Signal]
		switch {
		case target == nil:
			m.Get("signal").Refuse(m.Get("signal").Shown()+" is no signal of this file", "the name of a signal with states")
		case target == e:
			m.Get("signal").Refuse("a signal can't wait for itself", "the name of another signal")
		case !hasState(&target.Signal, e.ValidWhile.Equals):
			m.Get("equals").Refuse(fmt.Sprintf("%s is no state of %s", m.Get("equals").Shown(), target.Name), stateWords(&target.Signal))
		}
	}
}

// answer is one data identifier of one control unit.
type answer struct {
	bus        string
	address    decode.Address
	identifier uint16
}

// answerOf returns the identifier of a signal that comes from one.
func answerOf(o decode.Origin) answer { return answer{o.Bus, o.Address, o.Identifier} }

// checkLengths gives all signals of one data identifier the length that one of them states.
func (l *loader) checkLengths() {
	stated := l.statedLengths()
	for i := range l.entries {
		e := &l.entries[i]
		known := stated[answerOf(e.Origin)]
		if e.Origin.Kind != decode.FromIdentifier || known == nil {
			continue
		}
		e.Origin.Length = known.Origin.Length
		if e.Field.To >= e.Origin.Length {
			e.body.Get("bytes").Refuse(fmt.Sprintf("byte %d lies past the end", e.Field.To),
				payload{e.Origin.Length, fmt.Sprintf("line %d gives the length %d", known.at.Line(), e.Origin.Length)}.want())
		}
	}
}

// statedLengths returns the first signal that states the length of each identifier, and refuses
// another length.
func (l *loader) statedLengths() map[answer]*entry {
	first := map[answer]*entry{}
	for i := range l.entries {
		e := &l.entries[i]
		if e.Origin.Kind != decode.FromIdentifier || e.Origin.Length == 0 {
			continue
		}
		other := first[answerOf(e.Origin)]
		switch {
		case other == nil:
			first[answerOf(e.Origin)] = e
		case other.Origin.Length != e.Origin.Length:
			from, _ := e.body.Get("from").Pairs("")
			value(from, "length").Refuse(fmt.Sprintf("identifier 0x%04X has %d bytes in line %d", e.Origin.Identifier, other.Origin.Length, other.at.Line()),
				"the same length everywhere")
		}
	}
	return first
}

// value returns the value of a key, or an absent node.
func value(pairs []document.Pair, key string) document.Node {
	for _, p := range pairs {
		if p.Key.Is(key) {
			return p.Value
		}
	}
	return document.Node{}
}

// checkOverlaps refuses bits that two signals use at the same time.
func (l *loader) checkOverlaps() {
	groups := map[decode.Origin][]*entry{}
	for i := range l.entries {
		e := &l.entries[i]
		if e.When != nil {
			if at, ok := overlap(e.Field, e.When.Field); ok {
				e.body.Get("bytes").Refuse(fmt.Sprintf("the field takes bits of its own selector in byte %d", at), "other bits than those under when")
			}
		}
		groups[broad(e.Origin)] = append(groups[broad(e.Origin)], e)
	}
	for i := range l.entries {
		checkOverlap(&l.entries[i], groups[broad(l.entries[i].Origin)])
	}
}

// broad leaves out of an origin what may be open in one definition and given in another.
func broad(o decode.Origin) decode.Origin {
	o.Bus, o.Length, o.Source = "", 0, 0
	return o
}

// checkOverlap holds a signal against those before it in its group.
func checkOverlap(e *entry, group []*entry) {
	for _, other := range group {
		if other == e { // the rest comes later in the file and checks itself against this one
			return
		}
		if !sameSender(e, other) || exclusive(&e.Signal, &other.Signal) {
			continue
		}
		if at, ok := overlap(e.Field, other.Field); ok {
			e.body.Get("bytes").Refuse(fmt.Sprintf("the field takes bits of byte %d that %s in line %d uses", at, other.Name, other.at.Line()),
				"bits of its own, or another `when`")
			return
		}
	}
}

// sameSender reports whether one payload could serve both: buses and source addresses agree, or are open
// in one of the two.
func sameSender(a, b *entry) bool {
	bus := a.Origin.Bus == b.Origin.Bus || a.Origin.Bus == "" || b.Origin.Bus == ""
	source := a.Origin.Source == b.Origin.Source || a.Origin.Source == decode.AnySource || b.Origin.Source == decode.AnySource
	return bus && source
}

// exclusive reports whether the two signals never speak at once: another value of the same
// selector, or the same sensor that speaks for one corner at a time.
func exclusive(a, b *decode.Signal) bool {
	if a.When != nil && b.When != nil && a.When.Field == b.When.Field && a.When.Equals != b.When.Equals {
		return true
	}
	return a.ValidWhile != nil && b.ValidWhile != nil && *a.ValidWhile != *b.ValidWhile && a.Field == b.Field
}
