// Package decode turns frames into samples: pressure and height per corner, and what else the
// definitions name, each with a status and the packet it came from.
//
//	frames --table lookup--> field --mask, sign, scale--> Sample{At, Value, Status, Packet}
//	           (per bus)
//
// The invariant: a value never leaves without its status, and only StatusValid may be used as what
// the sensor measured. Values are kept in the unit of their definition, so that anybody can
// recompute them by hand from the bytes: value = raw x scale + offset.
package decode

import (
	"fmt"

	"ridewitness/capture"
	"ridewitness/decode/quantity"
)

// Corner is a corner of the vehicle. The zero value is none: the whole vehicle.
type Corner uint8

const (
	NoCorner Corner = iota
	FrontLeft
	FrontRight
	RearLeft
	RearRight
)

// Corners lists the four, front first, left first.
var Corners = [...]Corner{FrontLeft, FrontRight, RearLeft, RearRight}

var cornerNames = [...]string{"", "front-left", "front-right", "rear-left", "rear-right"}

// String returns the corner's name in files, "" for none.
func (c Corner) String() string {
	if int(c) < len(cornerNames) {
		return cornerNames[c]
	}
	return fmt.Sprintf("Corner(%d)", uint8(c))
}

// ParseCorner returns the corner of that name; the empty name is NoCorner.
func ParseCorner(name string) (Corner, bool) {
	for i, n := range cornerNames {
		if n == name {
			return Corner(i), true
		}
	}
	return NoCorner, false
}

// Opposite returns the other corner of the axle.
func (c Corner) Opposite() Corner {
	switch c {
	case FrontLeft:
		return FrontRight
	case FrontRight:
		return FrontLeft
	case RearLeft:
		return RearRight
	case RearRight:
		return RearLeft
	default:
		return NoCorner
	}
}

// Quantity is what a signal measures. The zero value is unknown.
type Quantity uint8

const (
	QuantityUnknown Quantity = iota
	Pressure
	Height
	AirTemperature
	AmbientTemperature
	BarometricPressure
	SupplyPressure
	EngineSpeed
	VehicleSpeed
	BatteryVoltage
	Ignition
	Compressor
	Valve
	Other
)

var quantityNames = [...]string{"", "pressure", "height", "air-temperature", "ambient-temperature",
	"barometric-pressure", "supply-pressure", "engine-speed", "vehicle-speed", "battery-voltage",
	"ignition", "compressor", "valve", "other"}

// String returns the quantity's name in definitions.
func (q Quantity) String() string {
	if int(q) < len(quantityNames) {
		return quantityNames[q]
	}
	return fmt.Sprintf("Quantity(%d)", uint8(q))
}

// Reference says what a pressure or a height is measured from.
type Reference uint8

const (
	NoReference Reference = iota
	Gauge                 // pressure over the surrounding air
	Absolute              // pressure over vacuum
	Design                // height over the design height
)

var referenceNames = [...]string{"", "gauge", "absolute", "design"}

// String returns the reference's name in definitions.
func (r Reference) String() string {
	if int(r) < len(referenceNames) {
		return referenceNames[r]
	}
	return fmt.Sprintf("Reference(%d)", uint8(r))
}

// Proof says how sure it is that a definition is true. The zero value is Assumed.
type Proof uint8

const (
	Assumed Proof = iota
	Proven
	Contradicted
)

var proofNames = [...]string{"assumed", "proven", "contradicted"}

// String returns the word used in definitions and findings.
func (p Proof) String() string {
	if int(p) < len(proofNames) {
		return proofNames[p]
	}
	return fmt.Sprintf("Proof(%d)", uint8(p))
}

// Order says which byte of a field is the least significant.
type Order uint8

const (
	LowFirst  Order = iota + 1 // the first byte of the range
	HighFirst                  // the last byte of the range
)

// Field is a bit field of a payload, in the notation of the definitions: the bytes From to To as
// one number in Order, the bits under Mask of it, shifted down to the mask's lowest bit, and as
// two's complement over the mask's width when Signed.
type Field struct {
	From, To int
	Order    Order
	Mask     uint64
	Signed   bool
}

// OriginKind is where a signal's payload comes from.
type OriginKind uint8

const (
	FromFrame      OriginKind = iota + 1 // a frame by identifier
	FromGroup                            // an SAE J1939 parameter group
	FromIdentifier                       // an ISO 14229-1 answer to service 0x22
	FromParameter                        // an ISO 15031-5 / SAE J1979 answer
)

// AnySource stands for every source address of a parameter group.
const AnySource = -1

// Origin is where a signal's payload comes from. Which fields count depends on Kind.
type Origin struct {
	Kind     OriginKind
	Bus      string // "" is every bus
	ID       capture.ID
	Extended bool

	Group  uint32 // parameter group number, 18 bits
	Source int    // source address, or AnySource

	Identifier uint16 // data identifier
	Service    uint8  // parameter identifier's service
	Parameter  uint8
	Length     int // bytes of the identifier's data; 0: known from the fields that use it
	Address    Address
}

// Address is how tester and control unit address each other on the bus (ISO 15765-2).
type Address struct {
	Request, Response          capture.ID
	Extended                   bool // 29 bit identifiers
	Mixed                      bool // Extension goes first in both directions
	Extension                  uint8
	ByTarget                   bool // extended addressing: each direction has its own target byte
	RequestTarget, ReplyTarget uint8
}

// RawRange is a range of raw bit patterns, both ends included.
type RawRange struct{ From, To uint64 }

// When selects the payloads of a multiplexed signal: those in which Field has the raw value Equals.
type When struct {
	Field  Field
	Equals uint64
}

// ValidWhile says when a sensor shared by several corners speaks for this one: while the state
// signal has the named state (and no other corner's signal of the same list has it, when Alone),
// SettledNS nanoseconds after it took that state.
type ValidWhile struct {
	Signal    string
	Equals    string
	Alone     bool
	SettledNS int64
}

// Signal is one definition: where a value lies and what it means.
type Signal struct {
	Name        string
	Corner      Corner
	Quantity    Quantity
	Unit        quantity.Unit
	Reference   Reference
	Origin      Origin
	Field       Field
	Scale       float64
	Offset      float64
	HasValid    bool
	ValidMin    float64 // in Unit
	ValidMax    float64
	InvalidRaw  []RawRange
	States      map[uint64]string
	When        *When
	ValidWhile  *ValidWhile
	Proof       Proof
	Uncertainty float64 // one standard deviation, in Unit; 0 where the definition gives none
	Place       string  // file:line:column of the definition, or the built-in's name
}

// Status says whether a sample may be used. The zero value may not.
type Status uint8

const (
	StatusMissing    Status = iota // the payload was too short, or its bytes were not kept
	StatusStale                    // older than the signal's own rhythm allows
	StatusInvalid                  // listed in invalid_raw
	StatusOutOfRange               // outside `valid`; the value is kept, never clipped
	StatusValid
)

var statusNames = [...]string{"missing", "stale", "invalid", "out-of-range", "valid"}

// String returns the word used in exports.
func (s Status) String() string {
	if int(s) < len(statusNames) {
		return statusNames[s]
	}
	return fmt.Sprintf("Status(%d)", uint8(s))
}

// SignalIndex numbers the signals of a Decoder.
type SignalIndex uint16

// Sample is one value of one signal, 40 bytes.
type Sample struct {
	At     capture.Stamp
	Packet uint64  // the packet it came from; of several, the last
	Value  float64 // in the unit of the definition; the state's number for a signal with states
	Raw    uint64  // the bit pattern under the mask
	Signal SignalIndex
	Status Status
}
