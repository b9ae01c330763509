package session_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// The files below were put together by hand from the layouts of IETF draft-ietf-opsawg-pcapng and
// draft-ietf-opsawg-pcap and of link type 227, and read by three readers that share no code (a byte-wise
// one, two general-purpose packet libraries). Their SHA-256 guards the copy.

// fileA: little-endian, nanoseconds; two classic frames, an FD frame, an error frame, statistics.
const fileA = `
0a 0d 0d 0a 1c 00 00 00 4d 3c 2b 1a 01 00 00 00 ff ff ff ff ff ff ff ff 1c 00 00 00 01 00 00 00
28 00 00 00 e3 00 00 00 00 00 00 00 02 00 04 00 63 61 6e 30 09 00 01 00 09 00 00 00 00 00 00 00
28 00 00 00 06 00 00 00 44 00 00 00 00 00 00 00 60 fb 98 18 15 2f 44 78 0c 00 00 00 0c 00 00 00
00 00 04 a1 04 00 00 00 00 50 1f ff 02 00 04 00 01 00 00 00 04 00 08 00 02 00 00 00 00 00 00 00
00 00 00 00 44 00 00 00 06 00 00 00 3c 00 00 00 00 00 00 00 60 fb 98 18 a5 ff 47 78 10 00 00 00
10 00 00 00 98 fe 58 27 08 00 00 00 d0 07 d0 07 88 13 00 ff 02 00 04 00 02 00 00 00 00 00 00 00
3c 00 00 00 06 00 00 00 34 00 00 00 00 00 00 00 60 fb 98 18 55 71 53 78 14 00 00 00 14 00 00 00
00 00 01 23 0c 05 00 00 00 01 02 03 04 05 06 07 08 09 0a 0b 34 00 00 00 06 00 00 00 30 00 00 00
00 00 00 00 60 fb 98 18 95 b3 62 78 10 00 00 00 10 00 00 00 20 00 02 04 08 00 00 00 00 08 00 00
00 00 60 00 30 00 00 00 05 00 00 00 40 00 00 00 00 00 00 00 60 fb 98 18 d5 f5 71 78 04 00 08 00
06 00 00 00 00 00 00 00 05 00 08 00 00 00 00 00 00 00 00 00 07 00 08 00 02 00 00 00 00 00 00 00
00 00 00 00 40 00 00 00`

// fileB: big-endian, 2^-20 s, an offset, a simple packet, a custom block.
const fileB = `
0a 0d 0d 0a 00 00 00 1c 1a 2b 3c 4d 00 01 00 00 00 00 00 00 00 00 00 90 00 00 00 1c 00 00 00 01
00 00 00 34 00 e3 00 00 00 00 00 48 00 02 00 04 63 61 6e 31 00 09 00 01 94 00 00 00 00 0e 00 08
00 00 00 00 69 a5 51 90 00 00 00 00 00 00 00 34 00 00 00 06 00 00 00 30 00 00 00 00 00 00 00 00
34 d8 00 00 00 00 00 10 00 00 00 10 00 00 07 e8 08 00 00 00 03 41 0d 00 55 55 55 55 00 00 00 30
00 00 00 03 00 00 00 18 00 00 00 08 40 00 01 00 04 00 00 00 00 00 00 18 00 00 0b ad 00 00 00 14
00 00 7e d9 64 65 6d 6f 00 00 00 14`

// hand returns a hand-made file, guarded by its SHA-256.
func hand(t testing.TB, text, sum string) []byte {
	t.Helper()
	file := unhex(t, text)
	got := sha256.Sum256(file)
	require.Equal(t, sum, hex.EncodeToString(got[:]), "the copy of the hand-made file is damaged")
	return file
}

func handA(t testing.TB) []byte {
	return hand(t, fileA, "4f48d080e6326b51818b9701109ab422e08577ef3572f6219f021162d8832134")
}

func handB(t testing.TB) []byte {
	return hand(t, fileB, "dfb305a1c0eafb126d9e23da8ecdf927af4a4e88234fb9a44498ef099604b280")
}

func handAB(t testing.TB) []byte {
	return hand(t, fileA+fileB, "81082f0100ec73db03c3dbac402807ae7e42a75a523d1d0039b13e5122a316d0")
}

// frame makes an expected frame.
func frame(at int64, packet uint64, bus capture.BusID, id capture.ID, flags capture.Flags, data ...byte) capture.Frame {
	f := capture.Frame{At: capture.Stamp(at), Packet: packet, Bus: bus, ID: id, Flags: flags, Len: uint8(len(data))}
	copy(f.Data[:], data)
	return f
}

// framesA are the frames of fileA, by hand.
var framesA = []capture.Frame{
	frame(moment, 1, 0, 0x4A1, capture.Inbound, 0x00, 0x50, 0x1F, 0xFF),
	frame(moment+250_000, 2, 0, 0x18FE5827, capture.Extended|capture.Outbound, 0xD0, 0x07, 0xD0, 0x07, 0x88, 0x13, 0x00, 0xFF),
	frame(moment+1_000_000, 3, 0, 0x123, capture.FD|capture.BitRateSwitch, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11),
	frame(moment+2_000_000, 4, 0, 0x204, capture.Error, 0, 8, 0, 0, 0, 0, 0x60, 0),
}

func TestFileA(t *testing.T) {
	c := read(t, handA(t))
	require.NoError(t, c.err)
	require.Equal(t, framesA, c.frames)
	require.Equal(t, []capture.Event{{Kind: capture.EventBus, Name: "can0"}}, c.of(capture.EventBus))
	require.Equal(t, []capture.Event{{At: moment, Kind: capture.EventLoss, Count: 2}}, clearPacket(c.of(capture.EventLoss)))
	counters := c.of(capture.EventCounters)
	require.Len(t, counters, 1)
	require.EqualValues(t, 6, counters[0].Received)
	require.EqualValues(t, 2, counters[0].Dropped)
	require.Equal(t, 4, counters[0].Index)
	require.Equal(t, session.Unsealed, c.integrity.Verdict)
	require.Empty(t, c.of(capture.EventDamage))
}

// clearPacket leaves out how many packets came before: it is counted elsewhere.
func clearPacket(events []capture.Event) []capture.Event {
	for i := range events {
		events[i].Packet = 0
	}
	return events
}

// framesB are those of fileB: 845.5 s after 1772442000 s, and a remote frame without a time.
func framesB(packet uint64, bus capture.BusID) []capture.Frame {
	const at = 1_772_442_845_500_000_000
	remote := frame(at, packet+1, bus, 0x100, capture.Remote|capture.Untimed)
	remote.Len = 4
	return []capture.Frame{frame(at, packet, bus, 0x7E8, 0, 0x03, 0x41, 0x0D, 0x00, 0x55, 0x55, 0x55, 0x55), remote}
}

func TestFileB(t *testing.T) {
	c := read(t, handB(t))
	require.NoError(t, c.err)
	require.Equal(t, framesB(1, 0), c.frames)
	require.Equal(t, "can1", c.of(capture.EventBus)[0].Name)
	require.Empty(t, c.of(capture.EventDamage))
}

// Interface 0 is can0 in the first section and can1 in the second, which has the other byte order.
func TestFileAB(t *testing.T) {
	for name, from := range map[string]func([]byte) content{
		"at once":                func(b []byte) content { return read(t, b) },
		"one byte at a time":     func(b []byte) content { return readFrom(t, iotest.OneByteReader(bytes.NewReader(b))) },
		"data with the end":      func(b []byte) content { return readFrom(t, iotest.DataErrReader(bytes.NewReader(b))) },
		"half of what was asked": func(b []byte) content { return readFrom(t, iotest.HalfReader(bytes.NewReader(b))) },
	} {
		t.Run(name, func(t *testing.T) {
			c := from(handAB(t))
			require.NoError(t, c.err)
			require.Equal(t, append(append([]capture.Frame{}, framesA...), framesB(5, 1)...), c.frames)
			buses := c.of(capture.EventBus)
			require.Len(t, buses, 2)
			require.Equal(t, []string{"can0", "can1"}, []string{buses[0].Name, buses[1].Name})
			require.Equal(t, 2, c.integrity.Sections)
		})
	}
}

// The whole frames that each prefix of fileA holds, from the offsets of its blocks.
func TestEveryPrefixOfFileA(t *testing.T) {
	whole := handA(t)
	for n := range whole {
		c := read(t, whole[:n])
		if n < 28 {
			var format *session.FormatError
			require.ErrorAs(t, c.err, &format, "%d bytes hold no section header", n)
			require.Empty(t, c.frames)
			continue
		}
		want := 4
		switch {
		case n < 136:
			want = 0
		case n < 196:
			want = 1
		case n < 248:
			want = 2
		case n < 296:
			want = 3
		}
		require.NoError(t, c.err)
		require.Len(t, c.frames, want, "cut at %d", n)
		for i := range c.frames {
			require.Equal(t, framesA[i], c.frames[i], "cut at %d", n)
		}
		if boundary := n == 28 || n == 68 || n == 136 || n == 196 || n == 248 || n == 296; boundary {
			require.Equal(t, session.Unsealed, c.integrity.Verdict, "cut at %d, between two blocks", n)
		} else {
			require.Equal(t, session.CutShort, c.integrity.Verdict, "cut at %d", n)
			require.ErrorIs(t, c.integrity.Stop, session.ErrTruncated)
		}
	}
}

// The four forms of classic pcap: one frame at 1772442845 s and 123456 microseconds or 123456789 ns.
func TestClassic(t *testing.T) {
	for name, text := range map[string]string{
		"little-endian, microseconds": `d4 c3 b2 a1 02 00 04 00 00 00 00 00 00 00 00 00 00 00 04 00 e3 00 00 00 dd 54 a5 69 40 e2 01 00
			0c 00 00 00 0c 00 00 00 00 00 04 a1 04 00 00 00 00 50 1f ff`,
		"big-endian, microseconds": `a1 b2 c3 d4 00 02 00 04 00 00 00 00 00 00 00 00 00 04 00 00 00 00 00 e3 69 a5 54 dd 00 01 e2 40
			00 00 00 0c 00 00 00 0c 00 00 04 a1 04 00 00 00 00 50 1f ff`,
		"little-endian, nanoseconds": `4d 3c b2 a1 02 00 04 00 00 00 00 00 00 00 00 00 00 00 04 00 e3 00 00 00 dd 54 a5 69 15 cd 5b 07
			0c 00 00 00 0c 00 00 00 00 00 04 a1 04 00 00 00 00 50 1f ff`,
		"big-endian, nanoseconds": `a1 b2 3c 4d 00 02 00 04 00 00 00 00 00 00 00 00 00 04 00 00 00 00 00 e3 69 a5 54 dd 07 5b cd 15
			00 00 00 0c 00 00 00 0c 00 00 04 a1 04 00 00 00 00 50 1f ff`,
	} {
		t.Run(name, func(t *testing.T) {
			file := unhex(t, text)
			at := int64(moment)
			if file[0] == 0xD4 || file[3] == 0xD4 {
				at = 1_772_442_845_123_456_000
			}
			c := read(t, file)
			require.NoError(t, c.err)
			require.Equal(t, []capture.Frame{frame(at, 1, 0, 0x4A1, 0, 0x00, 0x50, 0x1F, 0xFF)}, c.frames)
			require.Equal(t, "bus0", c.of(capture.EventBus)[0].Name)
			require.Equal(t, session.Unsealed, c.integrity.Verdict)
			for n := range file {
				cut := read(t, file[:n])
				require.Empty(t, cut.frames, "cut at %d", n)
				require.Equal(t, n < 24, cut.err != nil, "cut at %d: %v", n, cut.err)
				if n >= 24 {
					require.Equal(t, n > 24, cut.integrity.Verdict == session.CutShort, "cut at %d", n)
				}
			}
		})
	}
}

func TestClassicFractionTooLarge(t *testing.T) {
	file := unhex(t, `d4 c3 b2 a1 02 00 04 00 00 00 00 00 00 00 00 00 00 00 04 00 e3 00 00 00
		dd 54 a5 69 40 42 0f 00 0c 00 00 00 0c 00 00 00 00 00 04 a1 04 00 00 00 00 50 1f ff`) // 1000000 microseconds
	c := read(t, file)
	require.NoError(t, c.err)
	require.Empty(t, c.frames)
	require.NotEqual(t, session.Sealed, c.integrity.Verdict)
}
