package decode

import (
	"fmt"
	"math"
	"math/bits"

	"ridewitness/capture"
)

// DefinitionError says what makes a signal impossible to decode.
type DefinitionError struct {
	Place   string // file:line:column, as in Signal.Place; "" where no single signal is to blame
	Signal  string
	Problem string
}

// Error names the place, the signal and the problem.
func (e *DefinitionError) Error() string {
	switch {
	case e.Signal == "":
		return e.Problem
	case e.Place == "":
		return fmt.Sprintf("%s: %s", e.Signal, e.Problem)
	default:
		return fmt.Sprintf("%s: %s: %s", e.Place, e.Signal, e.Problem)
	}
}

// Limits of a parameter group number (SAE J1939-21): 18 bits, and the first PDU format whose
// specific byte belongs to the number instead of naming a destination.
const (
	maxGroup             = 0x3FFFF
	firstBroadcastFormat = 240
	maxSource            = 0xFF
)

// service01 is the only service whose answers hold live values (ISO 15031-5).
const service01 = 0x01

// check finds what can't be decoded, "" for nothing. A loader has found most of it earlier, with the
// line; signals that were made otherwise meet it here.
func (s *Signal) check() string {
	if err := s.Field.Check(s.Origin.Length); err != nil {
		return err.Error()
	}
	if s.When != nil {
		if err := s.When.Field.Check(s.Origin.Length); err != nil {
			return "when: " + err.Error()
		}
	}
	if len(s.States) == 0 && (s.Scale == 0 || !finite(s.Scale) || !finite(s.Offset)) {
		return fmt.Sprintf("scale %v and offset %v make no value: scale must be finite and not 0", s.Scale, s.Offset)
	}
	return s.Origin.check()
}

func finite(v float64) bool { return math.Abs(v) <= math.MaxFloat64 }

func (o *Origin) check() string {
	switch o.Kind {
	case FromFrame:
		if !o.Extended && o.ID > capture.MaxStandardID {
			return fmt.Sprintf("identifier 0x%X has more than 11 bits", uint32(o.ID))
		}
		if o.ID > capture.MaxExtendedID {
			return fmt.Sprintf("identifier 0x%X has more than 29 bits", uint32(o.ID))
		}
	case FromGroup:
		if o.Group > maxGroup || groupOf(capture.ID(o.Group)<<8) != o.Group {
			return fmt.Sprintf("0x%X is no parameter group number", o.Group)
		}
		if o.Source != AnySource && (o.Source < 0 || o.Source > maxSource) {
			return fmt.Sprintf("source address %d lies outside 0 to %d", o.Source, maxSource)
		}
	case FromParameter:
		if o.Service != service01 {
			return fmt.Sprintf("service 0x%02X holds no live values: only 0x01 does", o.Service)
		}
	case FromIdentifier:
	default:
		return "it has no origin"
	}
	return ""
}

// definition is a Signal as the inner loop needs it: what can be worked out beforehand is, and all of
// it lies together, where a Signal is spread over several cache lines.
type definition struct {
	mask            uint64
	scale, offset   float64
	least, greatest float64 // of `valid`; all finite numbers without it
	invalid         RawRange
	from, to        int32
	shift, unused   uint8
	highFirst       bool
	signed          bool
	listed          bool // it has states, or several ranges of invalid patterns: Signal.Judge decides
	conditional     bool // it has a `when`
}

// noPatterns is a range in which no pattern lies.
var noPatterns = RawRange{From: 1, To: 0}

func compile(s *Signal) definition {
	c := definition{
		mask: s.Field.Mask, scale: s.Scale, offset: s.Offset,
		least: -math.MaxFloat64, greatest: math.MaxFloat64, invalid: noPatterns,
		from: int32(s.Field.From), to: int32(s.Field.To),
		shift: uint8(bits.TrailingZeros64(s.Field.Mask)), unused: uint8(64 - s.Field.Width()),
		highFirst: s.Field.Order == HighFirst, signed: s.Field.Signed,
		listed: len(s.InvalidRaw) > 1 || len(s.States) > 0, conditional: s.When != nil,
	}
	if s.HasValid {
		c.least, c.greatest = s.ValidMin, s.ValidMax
	}
	if len(s.InvalidRaw) == 1 {
		c.invalid = s.InvalidRaw[0]
	}
	return c
}

// raw does what Field.Raw does.
func (c *definition) raw(data []byte) (uint64, bool) {
	if int(c.to) >= len(data) {
		return 0, false
	}
	var n uint64
	if c.highFirst {
		for _, b := range data[c.from : c.to+1] {
			n = n<<8 | uint64(b)
		}
	} else {
		for i := c.to; i >= c.from; i-- {
			n = n<<8 | uint64(data[i])
		}
	}
	return (n & c.mask) >> (c.shift & 63), true
}

// judge does what Signal.Judge does, for a signal that is not listed.
func (c *definition) judge(raw uint64) (Status, float64) {
	number := float64(raw)
	if c.signed {
		number = float64(int64(raw<<(c.unused&63)) >> (c.unused & 63))
	}
	value := float64(number*c.scale) + c.offset
	switch {
	case raw >= c.invalid.From && raw <= c.invalid.To:
		return StatusInvalid, value
	case value >= c.least && value <= c.greatest:
		return StatusValid, value
	default:
		return StatusOutOfRange, value
	}
}
