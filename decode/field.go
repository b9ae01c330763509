package decode

import (
	"fmt"
	"math"
	"math/bits"
)

// MaxFieldBytes is how many bytes a field may reach over.
const MaxFieldBytes = 8

// Check finds what is wrong with the field in a payload of payloadBytes (0: of any length), "" for
// nothing: its range, its order, its mask.
func (f *Field) Check(payloadBytes int) string {
	n := f.To - f.From + 1
	switch {
	case f.From < 0 || f.To < f.From:
		return fmt.Sprintf("bytes %d-%d: the first byte comes after the last", f.From, f.To)
	case n > MaxFieldBytes:
		return fmt.Sprintf("bytes %d-%d: a field reaches over at most %d bytes", f.From, f.To, MaxFieldBytes)
	case payloadBytes > 0 && f.To >= payloadBytes:
		return fmt.Sprintf("byte %d lies past the payload of %d bytes", f.To, payloadBytes)
	case n > 1 && f.Order != LowFirst && f.Order != HighFirst:
		return "a field of several bytes needs an order: low-first or high-first"
	case f.Mask == 0:
		return "a mask of 0 selects nothing"
	case bits.Len64(f.Mask) > 8*n:
		return fmt.Sprintf("mask 0x%X is wider than %d bytes", f.Mask, n)
	case f.Mask>>bits.TrailingZeros64(f.Mask)&(f.Mask>>bits.TrailingZeros64(f.Mask)+1) != 0:
		return fmt.Sprintf("mask 0x%X has a hole: its ones must be contiguous", f.Mask)
	}
	return ""
}

// Width returns how many bits the field has.
func (f *Field) Width() int { return bits.OnesCount64(f.Mask) }

// Raw returns the bit pattern under the mask, shifted down, and whether the payload reaches that far.
func (f *Field) Raw(payload []byte) (uint64, bool) {
	if uint(f.To) >= uint(len(payload)) || f.From > f.To {
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
// field's width.
func (f *Field) Number(raw uint64) float64 {
	if !f.Signed {
		return float64(raw)
	}
	unused := 64 - f.Width()
	return float64(int64(raw<<unused) >> unused)
}

// Compute returns the signal's value in its unit for a bit pattern: raw x scale + offset.
func (s *Signal) Compute(raw uint64) float64 {
	// The conversion keeps a compiler from fusing product and sum into one rounding, so that the value
	// is the same on every machine and by hand.
	return float64(s.Field.Number(raw)*s.Scale) + s.Offset
}

// Judge returns the status of a bit pattern and its value.
func (s *Signal) Judge(raw uint64) (Status, float64) {
	v := s.Compute(raw)
	for _, r := range s.InvalidRaw {
		if raw >= r.From && raw <= r.To {
			return StatusInvalid, v
		}
	}
	if len(s.States) > 0 {
		// A pattern that no state names is no value: nobody defined what it means.
		if _, named := s.States[raw]; !named {
			return StatusInvalid, v
		}
		return StatusValid, v
	}
	if s.HasValid && (v < s.ValidMin || v > s.ValidMax) {
		return StatusOutOfRange, v
	}
	return StatusValid, v
}

// Step returns the signal's step in its unit: what one unit of its raw number is worth.
func (s *Signal) Step() float64 { return math.Abs(s.Scale) }
