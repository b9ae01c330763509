package session_test

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// The records of link type 227 and the frames they are, checked by hand against the page of the Tcpdump
// Group for LINKTYPE_CAN_SOCKETCAN.
func TestRecords(t *testing.T) {
	eight := []byte{1, 2, 3, 4, 5, 6, 7, 8}
	sixtyFour := make([]byte, 64)
	for i := range sixtyFour {
		sixtyFour[i] = byte(i)
	}
	remote := func(id capture.ID, flags capture.Flags, n uint8) capture.Frame {
		f := frame(moment, 1, 0, id, flags)
		f.Len = n
		return f
	}
	for name, c := range map[string]struct {
		record   string
		payload  []byte
		original int
		want     capture.Frame
	}{
		"standard":                   {"00 00 04 A1 04 00 00 00 00 50 1F FF", nil, -1, frame(moment, 1, 0, 0x4A1, 0, 0x00, 0x50, 0x1F, 0xFF)},
		"extended":                   {"98 FE 58 27 08 00 00 00", eight, -1, frame(moment, 1, 0, 0x18FE5827, capture.Extended, eight...)},
		"extended with a small id":   {"80 00 01 23 08 00 00 00", eight, -1, frame(moment, 1, 0, 0x123, capture.Extended, eight...)},
		"remote":                     {"40 00 01 00 04 00 00 00", nil, -1, remote(0x100, capture.Remote, 4)},
		"remote, extended":           {"C0 00 01 00 00 00 00 00", nil, -1, remote(0x100, capture.Remote|capture.Extended, 0)},
		"remote with stray data":     {"40 00 01 00 08 00 00 00", eight, -1, remote(0x100, capture.Remote, 8)},
		"raw length code 15":         {"00 00 01 23 08 00 00 0F", eight, -1, frame(moment, 1, 0, 0x123, 0, eight...)},
		"FD, bit rate switch":        {"00 00 01 23 08 05 00 00", eight, -1, frame(moment, 1, 0, 0x123, capture.FD|capture.BitRateSwitch, eight...)},
		"FD, error state, 8 bytes":   {"00 00 01 23 08 06 00 00", eight, -1, frame(moment, 1, 0, 0x123, capture.FD|capture.ErrorState, eight...)},
		"FD by its length alone":     {"00 00 01 23 40 00 00 00", sixtyFour, -1, frame(moment, 1, 0, 0x123, capture.FD, sixtyFour...)},
		"classic in a padded record": {"00 00 01 23 02 00 00 00", eight, -1, frame(moment, 1, 0, 0x123, 0, 1, 2)},
		"FD in a padded record":      {"00 00 01 23 0C 04 00 00", sixtyFour, -1, frame(moment, 1, 0, 0x123, capture.FD, sixtyFour[:12]...)},
		"cut by the capture":         {"00 00 01 23 08 00 00 00", []byte{1, 2}, 16, frame(moment, 1, 0, 0x123, capture.Cut, 1, 2)},
		"captured more than it was":  {"00 00 04 A1 04 00 00 00 00 50 1F FF", nil, 8, frame(moment, 1, 0, 0x4A1, 0, 0x00, 0x50, 0x1F, 0xFF)},
		"error frame":                {"20 00 02 04 08 00 00 00 00 08 00 00 00 00 60 00", nil, -1, frame(moment, 1, 0, 0x204, capture.Error, 0, 8, 0, 0, 0, 0, 0x60, 0)},
		"no data at all":             {"00 00 07 FF 00 00 00 00", nil, -1, frame(moment, 1, 0, 0x7FF, 0)},
	} {
		t.Run(name, func(t *testing.T) {
			for _, f := range []*build{little(), big()} {
				got := read(t, f.can("can0").packet(0, moment, append(unhex(t, c.record), c.payload...), c.original).b)
				require.NoError(t, got.err)
				require.Empty(t, got.of(capture.EventDamage))
				require.Equal(t, []capture.Frame{c.want}, got.frames)
			}
		})
	}
}

// A payload of any classic length ends where it ends, whatever lies behind it in the block: the padding, the
// options with their flags, or the block's second length.
func TestShortPayloads(t *testing.T) {
	for n := range 9 {
		payload := bytes.Repeat([]byte{0xFF}, n)
		record := append([]byte{0, 0, 0x04, 0xA1, byte(n), 0, 0, 0}, payload...)
		for _, f := range []*build{little(), big()} {
			f = f.can("can0")
			inbound := f.option(2, f.u32(1))
			got := read(t, f.packet(0, moment, record, -1).packet(0, moment, record, -1, inbound).b)
			require.NoError(t, got.err)
			require.Equal(t, []capture.Frame{frame(moment, 1, 0, 0x4A1, 0, payload...), frame(moment, 2, 0, 0x4A1, capture.Inbound, payload...)},
				got.frames, "%d bytes", n)
		}
	}
}

// Records that are damaged are told and counted as packets; the next packet is read.
func TestDamagedRecords(t *testing.T) {
	for name, c := range map[string]struct {
		record string
		says   string
	}{
		"classic of 9 bytes": {"00 00 01 23 09 00 00 00 01 02 03 04 05 06 07 08", "9"},
		"FD of 65 bytes":     {"00 00 01 23 41 04 00 00" + strings.Repeat("00", 64), "65"},
		"seven bytes":        {"00 00 01 23 00 00 00", "7 bytes"},
		"nothing":            {"", "0 bytes"},
		"CAN XL":             {"00 00 01 23 81 00 04 00 00 00 00 00 11 22 33 44", "XL"},
	} {
		t.Run(name, func(t *testing.T) {
			got := read(t, little().can("can0").packet(0, moment, unhex(t, c.record), -1).packet(0, moment, plain, -1).b)
			require.NoError(t, got.err)
			require.Equal(t, []capture.Frame{frame(moment, 2, 0, 0x4A1, 0, 0x00, 0x50, 0x1F, 0xFF)}, got.frames)
			damage := got.damage(t)
			require.ErrorIs(t, damage, session.ErrRecord)
			require.EqualValues(t, 28+36, damage.Offset, "the offset of the packet's block")
			require.Contains(t, damage.Error(), c.says)
			require.Contains(t, damage.Error(), "packet 1")
		})
	}
}

// An FD frame of a length that no wire carries is damaged, and kept: its bytes are there.
func TestFDLengthBetweenTheSteps(t *testing.T) {
	got := read(t, little().can("can0").packet(0, moment, unhex(t, "00 00 01 23 09 04 00 00 01 02 03 04 05 06 07 08 09"), -1).b)
	require.Equal(t, []capture.Frame{frame(moment, 1, 0, 0x123, capture.FD, 1, 2, 3, 4, 5, 6, 7, 8, 9)}, got.frames)
	require.ErrorIs(t, got.damage(t), session.ErrRecord)
}

// Times in every unit, worked out by hand: raw x unit + offset, cut to whole nanoseconds.
func TestTimes(t *testing.T) {
	const whole, half = 1_772_442_845, 1_772_442_845_500_000_000
	for name, c := range map[string]struct {
		unit   int // if_tsresol, -1: none
		offset int64
		raw    uint64
		want   int64
	}{
		"no unit is microseconds":        {-1, 0, 1_772_442_845_123_456, 1_772_442_845_123_456_000},
		"the draft's isb_starttime":      {6, 0, 0x0004C396<<32 | 0x656A8973, 1_340_950_620_834_163_000},
		"the draft's isb_endtime":        {6, 0, 0x0004C397<<32 | 0x64CA47AA, 1_340_954_905_298_858_000},
		"seconds":                        {0, 0, whole, 1_772_442_845_000_000_000},
		"tenths":                         {1, 0, 17_724_428_455, half},
		"milliseconds":                   {3, 0, 1_772_442_845_500, half},
		"nanoseconds":                    {9, 0, moment, moment},
		"nanoseconds and an offset":      {9, whole, 500_000_000, half},
		"a negative offset":              {9, -1, moment + 1_000_000_000, moment},
		"picoseconds":                    {12, whole, 500_000_000_999, half},
		"the finest decimal":             {19, whole, 5_000_000_000_000_000_000, half},
		"2^0":                            {0x80, 0, whole, 1_772_442_845_000_000_000},
		"2^-1":                           {0x81, 0, 2*whole + 1, half},
		"2^-20, half a second":           {0x94, whole, 524_288, half},
		"2^-20, one unit is 953.674 ns":  {0x94, whole, 1, 1_772_442_845_000_000_953},
		"2^-20, 1048575 units":           {0x94, whole, 1_048_575, 1_772_442_845_999_999_046}, // 10^9 - 953.674
		"2^-32":                          {0xA0, 0, whole<<32 | 1<<31, half},
		"2^-63, the finest binary":       {0xBF, whole, 1 << 62, half},
		"the last instant that is known": {9, 0, 1<<63 - 1, 1<<63 - 1},
	} {
		t.Run(name, func(t *testing.T) {
			for _, f := range []*build{little(), big()} {
				var options [][]byte
				if c.unit >= 0 {
					options = append(options, f.option(9, []byte{byte(c.unit)}))
				}
				if c.offset != 0 {
					options = append(options, f.option(14, f.u64(uint64(c.offset))))
				}
				got := read(t, f.iface(227, 0, options...).packet(0, c.raw, plain, -1).b)
				require.NoError(t, got.err)
				require.Empty(t, got.of(capture.EventDamage))
				require.Len(t, got.frames, 1)
				require.EqualValues(t, c.want, got.frames[0].At)
			}
		})
	}
}

func TestTimesThatDoNotFit(t *testing.T) {
	f := little()
	for name, file := range map[string][]byte{
		"10^-20":                little().iface(227, 0, f.option(9, []byte{20})).packet(0, 1, plain, -1).b,
		"10^-127":               little().iface(227, 0, f.option(9, []byte{0x7F})).packet(0, 1, plain, -1).b,
		"2^-64":                 little().iface(227, 0, f.option(9, []byte{0xC0})).packet(0, 1, plain, -1).b,
		"2^-127":                little().iface(227, 0, f.option(9, []byte{0xFF})).packet(0, 1, plain, -1).b,
		"after 2262":            little().can("can0").packet(0, 1<<63, plain, -1).b,
		"seconds after 2262":    little().iface(227, 0, f.option(9, []byte{0})).packet(0, 9_223_372_037, plain, -1).b,
		"milliseconds overflow": little().iface(227, 0, f.option(9, []byte{3})).packet(0, 1<<63, plain, -1).b,
		"an absurd offset":      little().iface(227, 0, f.option(14, f.u64(1<<62))).packet(0, 1, plain, -1).b,
		"before 1970":           little().iface(227, 0, f.option(14, f.u64(1<<64-10))).packet(0, 1, plain, -1).b,
	} {
		t.Run(name, func(t *testing.T) {
			got := read(t, file)
			require.NoError(t, got.err)
			require.Empty(t, got.frames, "no frame comes with a wrong time")
			require.NotEmpty(t, got.of(capture.EventDamage))
			require.ErrorIs(t, got.of(capture.EventDamage)[0].Err, session.ErrTimeUnit)
			require.Contains(t, session.ErrTimeUnit.Error(), "unsupported time unit")
		})
	}
}
