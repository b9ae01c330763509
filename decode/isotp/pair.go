package isotp

import (
	"fmt"

	"ridewitness/capture"
)

// Direction says which way a message went. The zero value is unknown.
type Direction uint8

const (
	Request  Direction = iota + 1 // from the tester
	Response                      // from the control unit
)

var directionNames = [...]string{"unknown", "request", "response"}

// String returns the direction's word.
func (d Direction) String() string {
	if int(d) < len(directionNames) {
		return directionNames[d]
	}
	return fmt.Sprintf("Direction(%d)", uint8(d))
}

// Addressing says whether a frame begins with an address byte. Mixed and extended addressing look
// the same on the bus but for this: mixed has one byte for both directions, extended addressing
// names the target of each frame. Pair has a byte for each direction and so serves both.
type Addressing uint8

const (
	Normal   Addressing = iota // none; the identifier alone is the address. Normal fixed is this too
	WithByte                   // mixed or extended: byte 0 is an address
)

// Pair is how one tester and one control unit address each other on one bus.
type Pair struct {
	Bus               capture.BusID
	Request, Response capture.ID
	Extended          bool // 29 bit identifiers
	Addressing        Addressing
	RequestByte       uint8 // WithByte: byte 0 of the tester's frames
	ResponseByte      uint8 // WithByte: byte 0 of the unit's frames
	// Functional: requests to all units. Such a request is a single frame, nothing comes back under
	// this pair, and Response and ResponseByte mean nothing.
	Functional bool
}

// PairID numbers the pairs of a Listener from 0, in the order in which they were added.
type PairID uint16

// MaxPairs is the most pairs of one Listener. It bounds the memory of all open transfers together to
// 2 x MaxPairs x MaxMessage = 16 MiB (twice that when every transfer is given up for a new one).
const MaxPairs = 512

// PairError says why a pair can't be listened to.
type PairError struct {
	Pair    Pair
	Problem string
}

// Error names the identifiers of the pair and the problem.
func (e *PairError) Error() string {
	if e.Pair.Functional {
		return fmt.Sprintf("functional request 0x%X: %s", e.Pair.Request, e.Problem)
	}
	return fmt.Sprintf("request 0x%X, response 0x%X: %s", e.Pair.Request, e.Pair.Response, e.Problem)
}

// check finds what is wrong with a pair on its own; "" is nothing.
func (p *Pair) check() string {
	largest := capture.MaxStandardID
	if p.Extended {
		largest = capture.MaxExtendedID
	}
	switch {
	case p.Request > largest:
		return fmt.Sprintf("the request identifier is over 0x%X", largest)
	case p.Functional:
		return ""
	case p.Response > largest:
		return fmt.Sprintf("the response identifier is over 0x%X", largest)
	case p.Request == p.Response && (p.Addressing == Normal || p.RequestByte == p.ResponseByte):
		return "request and response have the same address, so their frames cannot be told apart"
	default:
		return ""
	}
}
