package signaldef

// A field in the notation of the definitions:
//
//	payload            00   50   1F   FF
//	byte                0    1    2    3
//	bytes 1-2           low-first: 0x1F50        high-first: 0x501F
//	mask 0xFFF0         0x1F5_ -> 0x1F5 = 501    0x501_ -> 0x501 = 1281
//
// Any field of up to 64 bits that touches at most eight bytes can be written so, in either order.

import (
	"fmt"
	"math"
	"math/bits"
	"regexp"
	"strconv"

	"ridewitness/decode"
	"ridewitness/decode/document"
)

// maxFieldBytes is the longest byte range of a field: what fits into a 64 bit number.
const maxFieldBytes = 8

// readField reads bytes, order, mask and signed of a map, of a payload of at most limit bytes. A
// field with a mistake has the mask 0, with which later checks have nothing to do.
func readField(m document.Map, limit payload) decode.Field {
	f, ok := readBytes(m.Need("bytes", "the bytes of the payload, such as 1-2"), limit)
	if !ok {
		return decode.Field{}
	}
	f.Signed, _ = m.Get("signed").Bool()
	word, _ := m.Get("order").Word("low-first", "high-first")
	switch {
	case word == "high-first":
		f.Order = decode.HighFirst
	case word == "low-first" || f.From == f.To:
		f.Order = decode.LowFirst
	case !m.Get("order").Exists():
		m.Need("order", "low-first or high-first: which of the bytes is the least significant")
	}
	f.Mask, ok = readMask(m.Get("mask"), f)
	if !ok {
		return decode.Field{}
	}
	return f
}

// bytesForm is a byte or a range of bytes.
var bytesForm = regexp.MustCompile(`^(\d{1,4})(?:-(\d{1,4}))?$`)

// readBytes reads the range of bytes and holds it against what the payload can have. That the payload
// of one frame is shorter is no matter here: that sample is then missing.
func readBytes(n document.Node, limit payload) (decode.Field, bool) {
	text, ok := n.Text()
	if !ok {
		return decode.Field{}, false
	}
	parts := bytesForm.FindStringSubmatch(text)
	if parts == nil {
		n.Refuse(n.Shown()+" is no range of bytes", "a range such as 1-2, or one byte such as 3, counted from 0")
		return decode.Field{}, false
	}
	from, _ := strconv.Atoi(parts[1])
	to := from
	if parts[2] != "" {
		to, _ = strconv.Atoi(parts[2])
	}
	switch {
	case to < from:
		n.Refuse(fmt.Sprintf("%d-%d runs backwards", from, to), fmt.Sprintf("%d-%d, and order: high-first or low-first", to, from))
	case to-from >= maxFieldBytes:
		n.Refuse(fmt.Sprintf("%d-%d are %d bytes", from, to, to-from+1), "at most 8; a field whose 64 bits touch nine bytes can't be written")
	case to >= limit.bytes:
		n.Refuse(fmt.Sprintf("byte %d lies past the end", to), limit.want())
	default:
		return decode.Field{From: from, To: to}, true
	}
	return decode.Field{}, false
}

// readMask reads the mask over the number that the bytes make. Holes are refused: raw is what lies under
// the mask shifted down, and with a hole two people would shift down differently.
func readMask(n document.Node, f decode.Field) (uint64, bool) {
	all := uint64(math.MaxUint64) >> (64 - 8*(f.To-f.From+1))
	if !n.Exists() {
		return all, true
	}
	mask, ok := n.Uint(0, math.MaxUint64)
	if !ok {
		return 0, false
	}
	ones := mask >> trailing(mask) // 0b0..01..1 if and only if there is no hole
	switch {
	case mask == 0:
		n.Refuse("0 selects no bit", "the bits of the value, such as 0xFFF0")
	case mask > all:
		n.Refuse(fmt.Sprintf("0x%X reaches outside the bytes", mask), fmt.Sprintf("at most 0x%X for bytes %s", all, bytesText(f)))
	case ones&(ones+1) != 0:
		n.Refuse(fmt.Sprintf("0x%X has a hole", mask), "ones side by side, such as 0xFFF0")
	default:
		return mask, true
	}
	return 0, false
}

// trailing returns how far raw is shifted down: 0 for a mask of 0 too, where 64 would shift all away.
func trailing(mask uint64) int { return bits.TrailingZeros64(mask) & 63 }

// bytesText writes a range as definitions do.
func bytesText(f decode.Field) string {
	if f.From == f.To {
		return strconv.Itoa(f.From)
	}
	return fmt.Sprintf("%d-%d", f.From, f.To)
}

// maxRaw returns the greatest bit pattern under a mask; of a field with a mistake, any.
func maxRaw(mask uint64) uint64 {
	if mask == 0 {
		return math.MaxUint64
	}
	return mask >> trailing(mask)
}

// rawBounds returns the least and the greatest number that the field can hold, sign included. Above 53
// bits they are rounded, which no check of a range can tell.
func rawBounds(f decode.Field) (least, most float64) {
	width := bits.OnesCount64(f.Mask)
	if f.Signed {
		half := math.Ldexp(1, width-1)
		return -half, half - 1
	}
	return 0, math.Ldexp(1, width) - 1
}

// bit8 is the bits that a field uses of one byte of the payload.
type bit8 struct {
	at   int
	bits byte
}

// bitsOf lists the bits of the payload that a field uses, a byte at a time. Counted in the payload,
// fields of different byte order can be held against each other.
func bitsOf(f decode.Field) []bit8 {
	used := make([]bit8, 0, maxFieldBytes)
	for i := 0; i <= f.To-f.From; i++ {
		at := f.From + i
		if f.Order == decode.HighFirst {
			at = f.To - i
		}
		if b := byte(f.Mask >> (8 * i)); b != 0 {
			used = append(used, bit8{at, b})
		}
	}
	return used
}

// overlap returns a byte of which both fields use a bit.
func overlap(a, b decode.Field) (at int, ok bool) {
	// most signals of a frame lie apart: this keeps large files of one identifier quick
	if a.To < b.From || b.To < a.From {
		return 0, false
	}
	for _, x := range bitsOf(a) {
		for _, y := range bitsOf(b) {
			if x.at == y.at && x.bits&y.bits != 0 {
				return x.at, true
			}
		}
	}
	return 0, false
}
