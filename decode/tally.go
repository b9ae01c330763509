package decode

import "ridewitness/capture"

// Point is one value of a signal, with its time and the packet that shows it.
type Point struct {
	At     capture.Stamp
	Packet uint64
	Value  float64
}

func (s *Sample) point() Point { return Point{At: s.At, Packet: s.Packet, Value: s.Value} }

// Tally is what one signal did in a stream, in bounded memory. The zero Tally has seen nothing. First,
// Last, Least and Greatest are those of the valid samples and mean nothing while Valid is 0.
type Tally struct {
	Valid, OutOfRange, Invalid, Stale, Missing uint64
	First, Last, Least, Greatest               Point
	Rhythm                                     Rhythm // of the valid samples
}

// Count returns how many samples came, of any status.
func (t *Tally) Count() uint64 { return t.Valid + t.OutOfRange + t.Invalid + t.Stale + t.Missing }

// Add takes the next sample of the signal.
func (t *Tally) Add(s Sample) {
	switch s.Status {
	case StatusValid:
		t.value(s.point())
	case StatusOutOfRange:
		t.OutOfRange++
	case StatusInvalid:
		t.Invalid++
	case StatusStale:
		t.Stale++
	default:
		t.Missing++
	}
}

// value takes a valid sample. Of equal ones the earliest is kept as the least and the greatest.
func (t *Tally) value(p Point) {
	if t.Valid == 0 {
		t.First, t.Least, t.Greatest = p, p, p
	}
	if p.Value < t.Least.Value {
		t.Least = p
	}
	if p.Value > t.Greatest.Value {
		t.Greatest = p
	}
	t.Last = p
	t.Valid++
	t.Rhythm.Add(p.At)
}
