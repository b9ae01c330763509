package decode

import (
	"encoding/hex"
	"math"
	"math/big"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.einride.tech/can"
	"pgregory.net/rapid"
)

// bitField is a field in the trade's notation: bit n is bit n%8 of byte n/8; start is the least
// significant bit of a little-endian field and the most significant one of a big-endian field.
type bitField struct {
	payload string // hex; FD64 is 64 bytes, byte i = (37 i + 11) mod 256
	start   int
	length  int
	order   Order // LowFirst is little-endian, HighFirst big-endian
	signed  bool
	value   string // decimal, exact
	raw     uint64
	field   *Field // the same in the notation of the definitions; nil where it touches nine bytes
}

// bitFields holds values that were worked out without this program in four ways that agree: bit by bit,
// by integer arithmetic over the whole payload, from a text of bits, and by hand from bytes and mask.
var bitFields = []bitField{
	{"01 23 45 67 89 AB CD EF", 0, 8, LowFirst, false, "1", 0x1, &Field{From: 0, To: 0, Mask: 0xFF}},
	{"01 23 45 67 89 AB CD EF", 7, 8, HighFirst, false, "1", 0x1, &Field{From: 0, To: 0, Mask: 0xFF}},
	{"01 23 45 67 89 AB CD EF", 12, 12, LowFirst, false, "1106", 0x452, &Field{From: 1, To: 2, Order: LowFirst, Mask: 0xFFF0}},
	{"01 23 45 67 89 AB CD EF", 11, 12, HighFirst, false, "837", 0x345, &Field{From: 1, To: 2, Order: HighFirst, Mask: 0xFFF}},
	{"01 23 45 67 89 AB CD EF", 29, 32, LowFirst, false, "2121096267", 0x7E6D5C4B, &Field{From: 3, To: 7, Order: LowFirst, Mask: 0x1FFFFFFFE0}},
	{"01 23 45 67 89 AB CD EF", 29, 32, HighFirst, false, "2653335351", 0x9E26AF37, &Field{From: 3, To: 7, Order: HighFirst, Mask: 0x3FFFFFFFC0}},
	{"01 23 45 67 89 AB CD EF", 0, 64, LowFirst, false, "17279655951921914625", 0xEFCDAB8967452301, &Field{From: 0, To: 7, Order: LowFirst, Mask: 0xFFFFFFFFFFFFFFFF}},
	{"01 23 45 67 89 AB CD EF", 7, 64, HighFirst, false, "81985529216486895", 0x123456789ABCDEF, &Field{From: 0, To: 7, Order: HighFirst, Mask: 0xFFFFFFFFFFFFFFFF}},
	{"01 23 45 67 89 AB CD EF", 0, 64, LowFirst, true, "-1167088121787636991", 0xEFCDAB8967452301, &Field{From: 0, To: 7, Order: LowFirst, Mask: 0xFFFFFFFFFFFFFFFF, Signed: true}},
	{"FF FF FF FF FF FF FF FF", 0, 64, LowFirst, true, "-1", 0xFFFFFFFFFFFFFFFF, &Field{From: 0, To: 7, Order: LowFirst, Mask: 0xFFFFFFFFFFFFFFFF, Signed: true}},
	{"FF FF FF FF FF FF FF FF", 7, 64, HighFirst, false, "18446744073709551615", 0xFFFFFFFFFFFFFFFF, &Field{From: 0, To: 7, Order: HighFirst, Mask: 0xFFFFFFFFFFFFFFFF}},
	{"00 00 00 00 00 00 00 80", 0, 64, LowFirst, true, "-9223372036854775808", 0x8000000000000000, &Field{From: 0, To: 7, Order: LowFirst, Mask: 0xFFFFFFFFFFFFFFFF, Signed: true}},
	{"80 00 00 00 00 00 00 00", 7, 64, HighFirst, true, "-9223372036854775808", 0x8000000000000000, &Field{From: 0, To: 7, Order: HighFirst, Mask: 0xFFFFFFFFFFFFFFFF, Signed: true}},
	{"00 50 1F FF 00 00 00 00", 12, 12, LowFirst, false, "501", 0x1F5, &Field{From: 1, To: 2, Order: LowFirst, Mask: 0xFFF0}},
	{"00 50 1F FF 00 00 00 00", 12, 12, LowFirst, true, "501", 0x1F5, &Field{From: 1, To: 2, Order: LowFirst, Mask: 0xFFF0, Signed: true}},
	{"00 50 9F FF 00 00 00 00", 12, 12, LowFirst, true, "-1547", 0x9F5, &Field{From: 1, To: 2, Order: LowFirst, Mask: 0xFFF0, Signed: true}},
	{"FE 00 00 00 00 00 00 00", 0, 8, LowFirst, true, "-2", 0xFE, &Field{From: 0, To: 0, Mask: 0xFF, Signed: true}},
	{"00 00 00 00 00 00 00 80", 63, 1, LowFirst, false, "1", 0x1, &Field{From: 7, To: 7, Mask: 0x80}},
	{"00 00 00 00 00 00 00 80", 63, 1, HighFirst, false, "1", 0x1, &Field{From: 7, To: 7, Mask: 0x80}},
	{"00 00 00 00 00 00 00 80", 63, 1, LowFirst, true, "-1", 0x1, &Field{From: 7, To: 7, Mask: 0x80, Signed: true}},
	{"5A A5", 3, 4, LowFirst, false, "11", 0xB, &Field{From: 0, To: 0, Mask: 0x78}},
	{"5A A5", 3, 4, HighFirst, false, "10", 0xA, &Field{From: 0, To: 0, Mask: 0xF}},
	{"5A A5", 6, 4, LowFirst, true, "5", 0x5, &Field{From: 0, To: 1, Order: LowFirst, Mask: 0x3C0, Signed: true}},
	{"5A A5", 1, 4, HighFirst, true, "-6", 0xA, &Field{From: 0, To: 1, Order: HighFirst, Mask: 0x3C0, Signed: true}},
	{"D0 07 D0 07 88 13 00 FF", 32, 16, LowFirst, false, "5000", 0x1388, &Field{From: 4, To: 5, Order: LowFirst, Mask: 0xFFFF}},
	{"D0 07 D0 07 88 13 00 FF", 48, 16, LowFirst, false, "65280", 0xFF00, &Field{From: 6, To: 7, Order: LowFirst, Mask: 0xFFFF}},
	{"00 7D 9C 7C 38 7E FF FF", 16, 16, LowFirst, false, "31900", 0x7C9C, &Field{From: 2, To: 3, Order: LowFirst, Mask: 0xFFFF}},
	{"12 34 56", 7, 24, HighFirst, false, "1193046", 0x123456, &Field{From: 0, To: 2, Order: HighFirst, Mask: 0xFFFFFF}},
	{"12 34 56", 4, 17, HighFirst, false, "74565", 0x12345, &Field{From: 0, To: 2, Order: HighFirst, Mask: 0x1FFFF0}},
	{"12 34 56", 4, 17, LowFirst, false, "90945", 0x16341, &Field{From: 0, To: 2, Order: LowFirst, Mask: 0x1FFFF0}},
	{"12 34 56", 5, 19, LowFirst, true, "176544", 0x2B1A0, &Field{From: 0, To: 2, Order: LowFirst, Mask: 0xFFFFE0, Signed: true}},
	{"01 00 00 00 00 00 00 00 00 00 00 00 00 00 80 00 00 00 00 FF", 119, 1, LowFirst, false, "1", 0x1, &Field{From: 14, To: 14, Mask: 0x80}},
	{"00 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F", 72, 16, LowFirst, false, "2569", 0xA09, &Field{From: 9, To: 10, Order: LowFirst, Mask: 0xFFFF}},
	{"00 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F", 79, 16, HighFirst, false, "2314", 0x90A, &Field{From: 9, To: 10, Order: HighFirst, Mask: 0xFFFF}},
	{"00 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F", 60, 40, LowFirst, false, "827597033600", 0xC0B0A09080, &Field{From: 7, To: 12, Order: LowFirst, Mask: 0xFFFFFFFFFF0}},
	{"00 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F", 60, 40, HighFirst, false, "241596649560", 0x3840485058, &Field{From: 7, To: 12, Order: HighFirst, Mask: 0x1FFFFFFFFFE0}},
	{"00 00 00 00 00 00 00 F0 FF FF FF FF FF FF FF 0F", 60, 64, LowFirst, true, "-1", 0xFFFFFFFFFFFFFFFF, nil},
	{"00 00 00 00 00 00 00 0F FF FF FF FF FF FF FF F0", 59, 64, HighFirst, true, "-1", 0xFFFFFFFFFFFFFFFF, nil},
	{"FD64", 500, 12, LowFirst, false, "608", 0x260, &Field{From: 62, To: 63, Order: LowFirst, Mask: 0xFFF0}},
	{"FD64", 500, 12, LowFirst, true, "608", 0x260, &Field{From: 62, To: 63, Order: LowFirst, Mask: 0xFFF0, Signed: true}},
	{"FD64", 503, 9, HighFirst, false, "2", 0x2, &Field{From: 62, To: 63, Order: HighFirst, Mask: 0xFF80}},
	{"FD64", 440, 64, LowFirst, false, "134183928440824830", 0x1DCB7926D4823FE, &Field{From: 55, To: 62, Order: LowFirst, Mask: 0xFFFFFFFFFFFFFFFF}},
	{"FD64", 447, 64, HighFirst, true, "-134183928440824831", 0xFE23486D92B7DC01, &Field{From: 55, To: 62, Order: HighFirst, Mask: 0xFFFFFFFFFFFFFFFF, Signed: true}},
}

func bytesOf(t testing.TB, text string) []byte {
	if text == "FD64" {
		b := make([]byte, 64)
		for i := range b {
			b[i] = byte(37*i + 11)
		}
		return b
	}
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	require.NoError(t, err)
	return b
}

// fromBits converts start and length to bytes, order and mask. With p = 8 (start/8) + 7 - start%8
// counting bits from the first byte's highest, a big-endian field lies at p to p+length-1.
func fromBits(start, length int, order Order, signed bool) (Field, bool) {
	f := Field{Order: order, Signed: signed}
	ones := ^uint64(0) >> (64 - length)
	if order == LowFirst {
		f.From, f.To = start/8, (start+length-1)/8
		f.Mask = ones << (start % 8)
	} else {
		p := 8*(start/8) + 7 - start%8
		f.From, f.To = p/8, (p+length-1)/8
		f.Mask = ones << (8*(f.To+1) - p - length)
	}
	return f, f.To-f.From < MaxFieldBytes
}

// bitByBit reads a field as the definition of its notation says: from the least significant bit up
// when little-endian, from the most significant down when big-endian, where after bit 0 of a byte
// comes bit 7 of the next.
func bitByBit(payload []byte, start, length int, order Order) uint64 {
	bit := func(n int) uint64 { return uint64(payload[n/8]>>(n%8)) & 1 }
	var raw uint64
	n := start
	for i := range length {
		if order == LowFirst {
			raw |= bit(start+i) << i
			continue
		}
		raw = raw<<1 | bit(n)
		if n%8 == 0 {
			n += 15
		} else {
			n--
		}
	}
	return raw
}

func TestFieldReadsBits(t *testing.T) {
	for i, row := range bitFields {
		payload := bytesOf(t, row.payload)
		require.Equal(t, row.raw, bitByBit(payload, row.start, row.length, row.order), "row %d: the table itself", i+1)
		converted, fits := fromBits(row.start, row.length, row.order, row.signed)
		require.Equal(t, row.field != nil, fits, "row %d: nine bytes", i+1)
		if row.field == nil {
			require.ErrorContains(t, converted.Check(len(payload)), "a field reaches over at most 8 bytes", "row %d", i+1)
			continue
		}
		f := *row.field
		require.NoError(t, f.Check(len(payload)), "row %d", i+1)
		if f.From == f.To {
			converted.Order = f.Order // of one byte either order is the same
		}
		require.Equal(t, f, converted, "row %d: bytes, order and mask from start and length", i+1)
		raw, ok := f.Raw(payload)
		require.True(t, ok, "row %d", i+1)
		require.Equal(t, row.raw, raw, "row %d: raw", i+1)
		require.Equal(t, row.length, f.Width(), "row %d: width", i+1)
		exact, _ := new(big.Float).SetString(row.value)
		nearest, _ := exact.Float64()
		require.Equal(t, nearest, f.Number(raw), "row %d: value", i+1)
		if row.signed {
			require.Equal(t, row.value, big.NewInt(f.extend(raw)).String(), "row %d: exact value", i+1)
		}
	}
}

func TestFieldIsRefused(t *testing.T) {
	past := func(start, length int, order Order) Field {
		f, _ := fromBits(start, length, order, false)
		return f
	}
	for _, c := range []struct {
		name    string
		field   Field
		payload int
		want    string
	}{
		{"little-endian 60/8 in 8 bytes", past(60, 8, LowFirst), 8, "byte 8 lies past the payload of 8 bytes"},
		{"big-endian 59/8 in 8 bytes", past(59, 8, HighFirst), 8, "byte 8 lies past the payload of 8 bytes"},
		{"no bits", Field{From: 0, To: 0, Mask: 0}, 8, "a mask of 0 selects nothing"},
		{"65 bits need nine bytes", Field{From: 0, To: 8, Order: LowFirst, Mask: math.MaxUint64}, 0, "bytes 0-8: a field reaches over at most 8 bytes"},
		{"mask with a hole", Field{From: 0, To: 1, Order: LowFirst, Mask: 0xF0F}, 8, "mask 0xF0F has a hole: its ones must be contiguous"},
		{"mask 0x1FF on one byte", Field{From: 0, To: 0, Mask: 0x1FF}, 8, "mask 0x1FF is wider than 1 bytes"},
		{"bytes in reverse", Field{From: 3, To: 2, Order: LowFirst, Mask: 1}, 8, "bytes 3-2: the first byte comes after the last"},
		{"before the payload", Field{From: -1, To: 0, Order: LowFirst, Mask: 1}, 8, "byte -1: bytes are counted from 0"},
		{"past every payload", Field{From: MaxPayload, To: MaxPayload, Mask: 1}, 0, "byte 16384 lies past the longest payload, 16384 bytes"},
		{"no end", Field{From: 0, To: math.MaxInt, Order: LowFirst, Mask: 1}, 0, "a field reaches over at most 8 bytes"},
		{"no order", Field{From: 0, To: 1, Mask: 1}, 8, "a field of several bytes needs an order: low-first or high-first"},
	} {
		t.Run(c.name, func(t *testing.T) { require.ErrorContains(t, c.field.Check(c.payload), c.want) })
	}
}

func TestFieldPastThePayloadIsNotRead(t *testing.T) {
	f := Field{From: 6, To: 7, Order: LowFirst, Mask: 0xFFFF}
	for n := range 8 {
		raw, ok := f.Raw(make([]byte, n))
		require.False(t, ok, "%d bytes", n)
		require.Zero(t, raw)
	}
	_, ok := f.Raw(make([]byte, 8))
	require.True(t, ok)
	_, ok = (&Field{From: -1, To: 0, Mask: 1}).Raw(make([]byte, 8))
	require.False(t, ok)
}

// drawField draws any field that Check lets pass in a payload of n bytes.
func drawField(t *rapid.T, n int) Field {
	from := rapid.IntRange(0, n-1).Draw(t, "from")
	to := rapid.IntRange(from, min(n-1, from+MaxFieldBytes-1)).Draw(t, "to")
	width := rapid.IntRange(1, 8*(to-from+1)).Draw(t, "width")
	shift := rapid.IntRange(0, 8*(to-from+1)-width).Draw(t, "shift")
	return Field{From: from, To: to, Mask: ^uint64(0) >> (64 - width) << shift,
		Order: rapid.SampledFrom([]Order{LowFirst, HighFirst}).Draw(t, "order"), Signed: rapid.Bool().Draw(t, "signed")}
}

// TestFieldAgreesWithTheFrameLibrary compares every kind of field of a classic frame with the bit
// access of go.einride.tech/can, which takes start and length.
func TestFieldAgreesWithTheFrameLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var data can.Data
		copy(data[:], rapid.SliceOfN(rapid.Byte(), 8, 8).Draw(t, "data"))
		start, length := rapid.IntRange(0, 63).Draw(t, "start"), rapid.IntRange(1, 64).Draw(t, "length")
		for _, order := range []Order{LowFirst, HighFirst} {
			f, fits := fromBits(start, length, order, true)
			if !fits || f.To > 7 {
				continue
			}
			wantRaw, wantSigned := data.UnsignedBitsLittleEndian(uint8(start), uint8(length)), data.SignedBitsLittleEndian(uint8(start), uint8(length))
			if order == HighFirst {
				wantRaw, wantSigned = data.UnsignedBitsBigEndian(uint8(start), uint8(length)), data.SignedBitsBigEndian(uint8(start), uint8(length))
			}
			raw, ok := f.Raw(data[:])
			require.True(t, ok)
			require.Equal(t, wantRaw, raw)
			require.Equal(t, wantSigned, f.extend(raw))
		}
	})
}

// pack writes a raw pattern into the bits of a field, for round trips.
func pack(f Field, payload []byte, raw uint64) {
	shift := 0
	for m := f.Mask; m&1 == 0; m >>= 1 {
		shift++
	}
	n := f.To - f.From + 1
	for i := range n {
		at := f.From + i // holds bits 8i of the number when low-first
		if f.Order == HighFirst {
			at = f.To - i
		}
		mask := byte(f.Mask >> (8 * i))
		payload[at] = payload[at]&^mask | byte(raw<<shift>>(8*i))&mask
	}
}

func TestFieldUnpacksWhatWasPacked(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		payload := rapid.SliceOfN(rapid.Byte(), 1, 64).Draw(t, "payload")
		f := drawField(t, len(payload))
		require.NoError(t, f.Check(len(payload)))
		raw := rapid.Uint64().Draw(t, "raw") >> (64 - f.Width())
		pack(f, payload, raw)
		got, ok := f.Raw(payload)
		require.True(t, ok)
		require.Equal(t, raw, got)
	})
}

// TestSignalValues takes its rows from the definitions' own example and from public J1939 tables;
// the arithmetic was done by hand.
func TestSignalValues(t *testing.T) {
	bellows := Signal{Scale: 0.01, HasValid: true, ValidMax: 20, InvalidRaw: []RawRange{{0xFFF, 0xFFF}},
		Field: Field{From: 1, To: 2, Order: LowFirst, Mask: 0xFFF0}}
	level := Signal{Scale: 0.1, Offset: -3200, InvalidRaw: []RawRange{{0xFB00, 0xFFFF}},
		Field: Field{From: 0, To: 1, Order: LowFirst, Mask: 0xFFFF}}
	falling := Signal{Scale: -0.5, HasValid: true, ValidMin: -10, ValidMax: 10,
		Field: Field{From: 0, To: 0, Mask: 0xFF, Signed: true}}
	valve := Signal{States: map[uint64]string{0: "closed", 1: "open"}, InvalidRaw: []RawRange{{3, 3}},
		Field: Field{From: 0, To: 0, Mask: 0x03}}
	huge := Signal{Scale: 1e300, Field: Field{From: 0, To: 7, Order: LowFirst, Mask: math.MaxUint64}}
	for _, c := range []struct {
		name   string
		signal *Signal
		raw    uint64
		status Status
		value  float64
	}{
		{"5.01 bar", &bellows, 501, StatusValid, 5.01},
		{"at its greatest", &bellows, 2000, StatusValid, 20},
		{"over its greatest, kept and not clipped", &bellows, 2500, StatusOutOfRange, 25},
		{"listed pattern, value still there", &bellows, 0xFFF, StatusInvalid, 40.95},
		{"level 0", &level, 32000, StatusValid, 0},
		{"level -11.5 mm", &level, 31885, StatusValid, -11.5},
		{"first pattern of a range", &level, 0xFB00, StatusInvalid, 3225.6},
		{"last pattern before it", &level, 0xFAFF, StatusValid, 3225.5},
		{"last pattern of a range", &level, 0xFFFF, StatusInvalid, 3353.5},
		{"negative scale, negative number", &falling, 0xFE, StatusValid, 1},
		{"under its least", &falling, 0x7F, StatusOutOfRange, -63.5},
		{"named state", &valve, 1, StatusValid, 0},
		{"state that nobody named", &valve, 2, StatusInvalid, 0},
		{"listed state", &valve, 3, StatusInvalid, 0},
		{"more than a number can hold", &huge, math.MaxUint64, StatusOutOfRange, math.Inf(1)},
	} {
		t.Run(c.name, func(t *testing.T) {
			status, value := c.signal.Judge(c.raw)
			require.Equal(t, c.status, status)
			if math.IsInf(c.value, 0) {
				require.Equal(t, c.value, value)
			} else {
				require.InDelta(t, c.value, value, 1e-9)
			}
		})
	}
	require.Equal(t, "open", valve.State(1))
	require.Empty(t, valve.State(2))
	require.Equal(t, 0.5, falling.Step())
	require.Equal(t, 0.1, level.Step())
}

// FuzzField holds reading against Check: what passes it is read, within the payload and the width, and
// what does not never panics.
func FuzzField(f *testing.F) {
	for _, row := range bitFields {
		if row.field != nil {
			f.Add(bytesOf(f, row.payload), row.field.From, row.field.To, uint8(row.field.Order), row.field.Mask, row.field.Signed)
		}
	}
	f.Add([]byte{1}, 0, 8, uint8(LowFirst), uint64(math.MaxUint64), true)
	f.Add([]byte{1, 2}, 1, 0, uint8(HighFirst), uint64(0xF0F), false)
	f.Fuzz(func(t *testing.T, payload []byte, from, to int, order uint8, mask uint64, signed bool) {
		field := Field{From: from, To: to, Order: Order(order), Mask: mask, Signed: signed}
		raw, ok := field.Raw(payload)
		number := field.Number(raw)
		if len(payload) == 0 || field.Check(len(payload)) != nil {
			return
		}
		require.True(t, ok)
		require.Zero(t, raw>>(field.Width()-1)>>1, "bits over the width")
		if signed {
			require.LessOrEqual(t, math.Abs(number), math.Ldexp(1, field.Width()-1))
		}
		again := make([]byte, len(payload))
		copy(again, payload)
		pack(field, again, raw)
		require.Equal(t, payload, again, "what was read, written back, changes nothing")
	})
}
