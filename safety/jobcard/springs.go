package jobcard

// Which corners ride on air, and which of them share it. One spring of the card may stand on one corner
// or on both of an axle: the corners then share what is known about it, not the air.

import (
	"fmt"
	"slices"

	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/decode/quantity"
)

// readSprings reads which corners ride on air. The key alone is a claim about the others: with it they are
// 'not an air spring', without it they are unknown (H06).
func (l *loader) readSprings(n document.Node) {
	const want = "a map from a name of your choice to a spring: {rear: {corners: [rear-left, rear-right]}}"
	pairs, ok := n.Pairs(want)
	if !ok {
		return
	}
	if len(pairs) == 0 {
		n.Refuse("no spring is named", "the springs, or no key `springs`: every corner with a pressure then counts as riding on air")
	}
	l.card.HasSprings = true
	for _, p := range pairs {
		if m, ok := p.Value.Map(springKeys...); ok {
			l.readSpring(p.Key, m)
		}
	}
}

// readSpring reads one spring and puts it on its corners. The bounds are wider than any road
// vehicle's and catch a slipped decimal point or a wrong unit.
func (l *loader) readSpring(key document.Node, m document.Map) {
	s := &Spring{
		Place:       key.Place(),
		Volume:      within(m.Get("volume"), quantity.Litre, 0.1, 200).times(1e-3),
		Area:        within(m.Get("effective_area"), quantity.SquareCentimetre, 5, 2000).times(1e-4),
		MotionRatio: within(m.Get("motion_ratio"), quantity.One, 0.1, 2),
		LeastBar:    within(m.Get("least_pressure"), quantity.Bar, 0.1, 20),
		GreatestBar: within(m.Get("greatest_pressure"), quantity.Bar, 0.2, 40),
	}
	s.Name, _ = key.Text()
	// swapped, every pressure would break one of the two rules that rest on them
	if s.LeastBar.Known && s.GreatestBar.Known && s.GreatestBar.Value <= s.LeastBar.Value {
		greatest := m.Get("greatest_pressure")
		greatest.Refuse(fmt.Sprintf("%s is not above least_pressure %s", greatest.Shown(), m.Get("least_pressure").Shown()),
			"the pressure that the spring must not exceed")
	}
	corners := m.Need("corners", "the corners that ride on it, such as [rear-left, rear-right]")
	if list, ok := corners.List(""); ok && len(list) == 0 {
		corners.Refuse("no corner is named", "one or two corners")
	}
	named := readCorners(corners, func(item document.Node, c decode.Corner) bool { return l.isFree(item, c) })
	// without its corners this spring says nothing about which corners have none
	l.airUnsure = l.airUnsure || len(named) == 0
	for _, c := range named {
		l.card.Springs[c] = s
	}
}

// isFree refuses a corner that has a spring already.
func (l *loader) isFree(n document.Node, c decode.Corner) bool {
	other := l.card.Springs[c]
	if other != nil {
		n.Refuse(c.String()+" has the spring "+other.Name+" already", "each corner in one spring")
	}
	return other == nil
}

// times returns the number in another unit; an unknown one stays unknown.
func (n Number) times(factor float64) Number { return Number{n.Value * factor, n.Known} }

// readAirCorners reads a list of corners that ride on air.
func (l *loader) readAirCorners(n document.Node) []decode.Corner { return readCorners(n, l.onAir) }

// onAir refuses a corner that has no air spring by the card's own words.
func (l *loader) onAir(n document.Node, c decode.Corner) bool {
	if !l.card.HasSprings || l.airUnsure || l.card.Springs[c] != nil {
		return true
	}
	n.Refuse(c.String()+" has no air spring by `springs`", "a corner that rides on air")
	return false
}

// readCircuits reads one circuit, a list of corners, or several, a list of such lists.
func (l *loader) readCircuits(n document.Node) {
	const want = "the corners that share one air circuit, such as [rear-left, rear-right]"
	list, ok := items(n, want)
	if !ok {
		return
	}
	// [a, b] is one circuit, [[a, b], [c, d]] are two: the first item tells
	circuits := []document.Node{n}
	if len(list) > 0 && list[0].IsList() {
		circuits = list
	}
	for _, circuit := range circuits {
		corners := l.readAirCorners(circuit)
		if inner, ok := circuit.List(want); ok && len(inner) < 2 {
			circuit.Refuse("one corner shares its air with no other", want)
		}
		l.addCircuit(circuit, corners)
	}
}

// addCircuit keeps a circuit whose corners are in no other: air that flows between two circuits makes them
// one.
func (l *loader) addCircuit(n document.Node, corners []decode.Corner) {
	for _, c := range corners {
		for _, other := range l.card.Circuits {
			if slices.Contains(other, c) {
				n.Refuse(c.String()+" is in two circuits", "each corner in one")
				return
			}
		}
	}
	l.card.Circuits = append(l.card.Circuits, corners)
}
