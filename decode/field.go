package decode

import (
	"errors"
	"fmt"
	"math"
	"math/bits"

	"ridewitness/decode/isotp"
)

// MaxFieldBytes is how many bytes a field may reach over.
const MaxFieldBytes = 8

// MaxPayload is the longest payload that a transport delivers, in bytes.
const MaxPayload = isotp.MaxMessage

// Check says what is wrong with the field in a payload of payloadBytes (0: of any length): its range,
// its order, its mask.
func (f *Field) Check(payloadBytes int) error {
	n := f.To - f.From + 1
	switch {
	case f.From < 0:
		return fmt.Errorf("byte %d: bytes are counted from 0", f.From)
	case f.To < f.From:
		return fmt.Errorf("bytes %d-%d: the first byte comes after the last", f.From, f.To)
	case f.To-f.From >= MaxFieldBytes:
		return fmt.Errorf("bytes %d-%d: a field reaches over at most %d bytes", f.From, f.To, MaxFieldBytes)
	case f.To >= MaxPayload:
		return fmt.Errorf("byte %d lies past the longest payload, %d bytes", f.To, MaxPayload)
	case payloadBytes > 0 && f.To >= payloadBytes:
		return fmt.Errorf("byte %d lies past the payload of %d bytes", f.To, payloadBytes)
	case n > 1 && f.Order != LowFirst && f.Order != HighFirst:
		return errors.New("a field of several bytes needs an order: low-first or high-first")
	}
	return checkMask(f.Mask, n)
}

// checkMask finds a mask that selects nothing, has a hole, or lies outside n bytes.
func checkMask(mask uint64, n int) error {
	if mask == 0 {
		return errors.New("a mask of 0 selects nothing")
	}
	if bits.Len64(mask) > 8*n {
		return fmt.Errorf("mask 0x%X is wider than %d bytes", mask, n)
	}
	if ones := mask >> bits.TrailingZeros64(mask); ones&(ones+1) != 0 {
		return fmt.Errorf("mask 0x%X has a hole: its ones must be contiguous", mask)
	}
	return nil
}

// Width returns how many bits the field has.
func (f *Field) Width() int { return bits.OnesCount64(f.Mask) }

// Raw returns the bit pattern under the mask, shifted down, and whether the payload reaches that far.
func (f *Field) Raw(payload []byte) (uint64, bool) {
	if uint(f.To) >= uint(len(payload)) || uint(f.From) > uint(f.To) {
		return 0, false
	}
	var n uint64
	if f.Order == HighFirst {
		for _, b := range payload[f.From : f.To+1] {
			n = n<<8 | uint64(b)
		}
	} else {
		for i := f.To; i >= f.From; i-- {
			n = n<<8 | uint64(payload[i])
		}
	}
	return (n & f.Mask) >> bits.TrailingZeros64(f.Mask), true
}

// Number returns what a bit pattern of the field counts: itself, or as two's complement over the
// field's width. Above 2^53 it is the nearest number that a float64 holds.
func (f *Field) Number(raw uint64) float64 {
	if !f.Signed {
		return float64(raw)
	}
	return float64(f.extend(raw))
}

// extend reads a bit pattern as two's complement over the field's width.
func (f *Field) extend(raw uint64) int64 {
	unused := 64 - f.Width()
	return int64(raw<<unused) >> unused
}

// Compute returns the signal's value in its unit for a bit pattern: raw x scale + offset.
func (s *Signal) Compute(raw uint64) float64 {
	// The conversion keeps a compiler from fusing product and sum into one rounding, so that the value
	// is the same on every machine and by hand.
	return float64(s.Field.Number(raw)*s.Scale) + s.Offset
}

// Judge returns the status of a bit pattern and its value, which is computed whatever the status. A
// pattern that no state names is invalid: nobody defined what it means. A value too large for a
// float64 is out of range.
func (s *Signal) Judge(raw uint64) (Status, float64) {
	v := s.Compute(raw)
	for _, r := range s.InvalidRaw {
		if raw >= r.From && raw <= r.To {
			return StatusInvalid, v
		}
	}
	if len(s.States) > 0 {
		if s.State(raw) == "" {
			return StatusInvalid, v
		}
		return StatusValid, v
	}
	if !finite(v) || s.HasValid && (v < s.ValidMin || v > s.ValidMax) {
		return StatusOutOfRange, v
	}
	return StatusValid, v
}

// State returns the name of a bit pattern, "" where the definition names none.
func (s *Signal) State(raw uint64) string { return s.States[raw] }

// Step returns the signal's step in its unit: what one unit of its raw number is worth.
func (s *Signal) Step() float64 { return math.Abs(s.Scale) }
