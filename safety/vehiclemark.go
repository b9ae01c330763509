package safety

import (
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
)

// mark follows one mark.
func (v *Vehicle) mark(m *Mark) {
	if record, ok := m.withdraws(); ok {
		if taken := v.marks.takeBack(record); taken != nil {
			v.retrace(taken)
			v.tell(Happening{Kind: MarkTaken, At: m.At, Corner: taken.Corner, Mark: taken})
		}
		return
	}
	v.apply(m)
	v.tell(Happening{Kind: MarkSet, At: m.At, Corner: m.Corner, Mark: m})
}

// apply lets a mark change what is known.
func (v *Vehicle) apply(m *Mark) {
	switch m.Name {
	case MarkLiftUp, MarkWheelsOff:
		v.hangsByMark(m.At)
	case MarkGoingDown:
		v.goingDown = m
		v.checkDescent(m.At)
	case MarkJack:
		v.jack = m
	case MarkFirstContact:
		v.contact = m
	case MarkLowered:
		v.lowered = m
		v.stands(m.At)
	case MarkTape:
		v.corners[m.Corner].ties.expect(m.At, m.TapeMM, m.Record)
	}
	for _, c := range v.meant(m) {
		switch m.Name {
		case MarkLineOpen:
			c.lineOpen = m
			c.zeroAt = m.At.Add(zeroAfter)
			c.bledAt = m.At
		case MarkLineClosed:
			c.lineOpen = nil
			if m.At < c.zeroAt {
				c.zeroAt = 0 // not open long enough; else the first pressure after it is tested
			}
		case MarkBled:
			c.bledAt = m.At
		}
	}
}

// hangsByMark says that somebody saw the vehicle hang.
func (v *Vehicle) hangsByMark(at capture.Stamp) {
	v.hangMark = true
	if v.phase == Rising || v.phase == Hanging {
		return
	}
	v.raised = true // what came before stays unknown: nobody saw the raise
	v.setPhase(Hanging, at)
}

// meant returns the corners that a mark speaks of: its own, or where it names none those that were
// worked on, or else all on air.
func (v *Vehicle) meant(m *Mark) []*corner {
	if m.Corner != decode.NoCorner {
		return []*corner{v.corners[m.Corner]}
	}
	var all []*corner
	for _, id := range decode.Corners {
		c := v.corners[id]
		serviced := v.card == nil || len(v.card.Serviced) == 0 || slices.Contains(v.card.Serviced, id)
		if c.onAir && serviced {
			all = append(all, c)
		}
	}
	return all
}

// retrace undoes what a mark that was taken back had changed.
func (v *Vehicle) retrace(taken *Mark) {
	switch taken.Name {
	case MarkLiftUp, MarkWheelsOff:
		v.hangMark = v.hangMark && v.marks.last(decode.NoCorner, MarkLiftUp, MarkWheelsOff) != nil
		fallthrough
	case MarkLowered:
		if v.phaseSince == taken.At && v.phase != Rising {
			v.setPhase(PhaseUnknown, v.now) // what it was by signals, nobody has followed
		}
	}
	v.jack = v.marks.lastNamed(MarkJack)
	v.goingDown = v.marks.lastNamed(MarkGoingDown)
	v.contact = v.marks.lastNamed(MarkFirstContact)
	v.lowered = v.marks.lastNamed(MarkLowered)
	for _, c := range v.meant(taken) {
		c.ties.forget(taken.Record)
		c.lineOpen, c.zeroAt = nil, 0
		if m := v.marks.last(c.id, MarkLineOpen, MarkLineClosed); m != nil && m.Name == MarkLineOpen {
			c.lineOpen = m
		}
	}
}
