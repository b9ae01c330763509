package safety

import (
	"ridewitness/capture"
	"ridewitness/decode"
)

// Evidence is one thing a finding rests on: a value with its packet, a mark with its record, or a
// message of the tester's talk.
type Evidence struct {
	At      capture.Stamp
	Signal  string
	Value   float64 // in Unit, the unit of the signal's definition
	Unit    string
	State   string // in place of Value for signals with states
	Packet  uint64
	Proof   decode.Proof
	Mark    string // name of the mark
	Record  uint64 // number of the mark's journal record
	Message []byte // bytes of a request or an answer
}

// Rest is a signal that a verdict rests on, and the stretch of time in which it must be whole for
// the verdict to be Held.
type Rest struct {
	Corner   decode.Corner
	Quantity decode.Quantity
	From, To capture.Stamp
}

// Verdict is what a watcher reports.
type Verdict struct {
	Outcome    Outcome
	Start, End capture.Stamp
	Summary    string // one plain sentence
	Class      Class
	Evidence   []Evidence
	Reason     Reason // only with CannotTell
	Note       string
	Rests      []Rest
}

// Finding is a verdict that the Judge has checked.
type Finding struct {
	Verdict
	Rule   *Rule
	Corner decode.Corner
	Axle   Axle
	Asked  bool
	Proof  decode.Proof // the weakest of the signals it rests on
}

// Axle is an axle of the vehicle. The zero value is none.
type Axle uint8

const (
	NoAxle Axle = iota
	Front
	Rear
)

// String returns the axle's name, "" for none.
func (a Axle) String() string { return nameOf([]string{"", "front", "rear"}, uint8(a), "Axle") }

// Corners returns the two corners of the axle, left first.
func (a Axle) Corners() [2]decode.Corner {
	if a == Front {
		return [2]decode.Corner{decode.FrontLeft, decode.FrontRight}
	}
	return [2]decode.Corner{decode.RearLeft, decode.RearRight}
}

// axleOf returns the axle that c belongs to.
func axleOf(c decode.Corner) Axle {
	switch c {
	case decode.FrontLeft, decode.FrontRight:
		return Front
	case decode.RearLeft, decode.RearRight:
		return Rear
	default:
		return NoAxle
	}
}
