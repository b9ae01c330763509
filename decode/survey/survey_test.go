package survey

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/sourcetest"
	"ridewitness/decode/isotp"
	"ridewitness/decode/uds"
)

const step = 10_000_000 // ns

func TestKindsOfFrameAreCounted(t *testing.T) {
	b := sourcetest.Lines(t, step, "123 00", "123 01", "124 00", "18FEB02F 00 01 02 03 04 05 06 07")
	// Error classes as in the kernel's linux/can/error.h, from memory: 0x04 controller with overflow
	// of the receive buffer in byte 1, 0x40 bus off.
	overflow := capture.Frame{Flags: capture.Error, ID: 0x04, Len: 8, Data: [capture.MaxData]byte{1: 0x01}}
	busOff := capture.Frame{Flags: capture.Error, ID: 0x40, Len: 8}
	b.Frames = append(b.Frames, overflow, busOff, capture.Frame{Flags: capture.Remote, ID: 0x125},
		capture.Frame{Flags: capture.FD, ID: 0x126, Len: 12})
	s := New()
	s.Observe(b)
	all := s.Buses()
	require.Len(t, all, 1)
	bus := all[0]
	require.Equal(t, "can0", bus.Name)
	require.EqualValues(t, 8, bus.Frames)
	require.EqualValues(t, []uint64{1, 1, 2, 1, 1}, []uint64{bus.FD, bus.Remote, bus.Errors, bus.Overruns, bus.BusOff})
	require.Equal(t, 3, bus.Standard, "0x123, 0x124, 0x126")
	require.Equal(t, 1, bus.Extended)
	require.Equal(t, []uint32{65200}, bus.Groups, "0xFEB0: the destination is no part of a broadcast group (SAE J1939-21)")
	require.False(t, bus.Full)
}

func TestMoreIdentifiersThanAreRememberedAreSaid(t *testing.T) {
	s, b := New(), capture.NewBatch()
	for i := range maxExtended + 1 {
		b.Frames = append(b.Frames, capture.Frame{ID: capture.ID(i), Flags: capture.Extended})
	}
	s.Observe(b)
	require.True(t, s.Buses()[0].Full)
	require.Equal(t, maxExtended, s.Buses()[0].Extended)
}

// A tester that reads, is refused and is not answered; the bytes after ISO 15765-2 and ISO 14229-1,
// by hand, from memory.
var talk = []string{
	"6D4 03 22 4A 01", "6DC 05 62 4A 01 01 F4",
	"6D4 03 22 4A 01", "6DC 06 62 4A 01 01 F4 00",
	"6D4 03 22 4A 02", "6DC 03 7F 22 31",
	"6D4 05 22 4A 03 4A 04", "6DC 07 62 4A 03 11 4A 04 22",
	"6D4 02 10 03", "6DC 06 50 03 00 32 01 F4",
	"6D4 03 22 4A 05",
}

func TestPairsThatLookLikeTalk(t *testing.T) {
	s := New()
	s.Observe(sourcetest.Lines(t, step, talk...))
	found := s.Candidates()
	require.Len(t, found, 1)
	require.Equal(t, capture.ID(0x6D4), found[0].Pair.Request)
	require.Equal(t, capture.ID(0x6DC), found[0].Pair.Response)
	require.Equal(t, 5, found[0].Answers)
	require.False(t, s.Full())

	s = New()
	s.Observe(sourcetest.Lines(t, step, "100 01 02 03 04", "101 05 06 07 08", "100 01 02 03 04", "101 05 06 07 08"))
	require.Empty(t, s.Candidates(), "what is sent round and round is no talk")
}

func TestWhatATesterAsksFor(t *testing.T) {
	pair := isotp.Pair{Request: 0x6D4, Response: 0x6DC}
	follow := NewTalk([]isotp.Pair{pair, pair})
	follow.Observe(sourcetest.Lines(t, step, talk...))
	quiet := capture.NewBatch() // long enough for the last request to stay without an answer
	quiet.Frames = append(quiet.Frames, capture.Frame{At: 60 * 1_000_000_000, ID: 0x100})
	follow.Observe(quiet)
	all := follow.Conversations()
	require.Len(t, all, 1, "the same pair twice is one")
	require.False(t, all[0].Full)
	var said []string
	for _, a := range all[0].Asked {
		said = append(said, fmt.Sprintf("%02X %04X %02X times %d refused %d unanswered %d bytes %d to %d packet %d with %X",
			uint8(a.Service), a.Identifier, a.Sub, a.Times, a.Refused, a.Unanswered, a.Least, a.Most, a.Packet, a.With))
	}
	require.Equal(t, []string{
		"10 0000 03 times 1 refused 0 unanswered 0 bytes 4 to 4 packet 9 with []",
		"22 4A01 00 times 2 refused 0 unanswered 0 bytes 2 to 3 packet 1 with []",
		"22 4A02 00 times 1 refused 1 unanswered 0 bytes -1 to -1 packet 5 with []",
		"22 4A03 00 times 1 refused 0 unanswered 0 bytes 4 to 4 packet 7 with [4A04]",
		"22 4A05 00 times 1 refused 0 unanswered 1 bytes -1 to -1 packet 11 with []",
	}, said)
}

// A loss between request and answer makes no refusal and no silence of it.
func TestLossIsNoSilence(t *testing.T) {
	for _, loss := range []string{"lost", "damage"} {
		follow := NewTalk([]isotp.Pair{{Request: 0x6D4, Response: 0x6DC}})
		follow.Observe(sourcetest.Lines(t, step, "6D4 03 22 4A 01", loss, "100 00"))
		late := capture.NewBatch()
		late.Frames = append(late.Frames, capture.Frame{At: 60 * 1_000_000_000, ID: 0x100})
		follow.Observe(late)
		for _, a := range follow.Conversations()[0].Asked {
			require.Equal(t, uds.ReadDataByIdentifier, a.Service)
			require.Zero(t, a.Unanswered, loss)
			require.Zero(t, a.Refused, loss)
		}
	}
}

func TestUnitsThatClaimedAnAddress(t *testing.T) {
	s := New()
	// Address claimed (group 60928, SAE J1939-81): to all, from 0x2F, with a NAME of eight bytes.
	// It holds after 250 ms in which nobody objected.
	s.Observe(sourcetest.Lines(t, 300_000_000, "18EEFF2F 01 02 03 04 05 06 07 08", "100 00"))
	units := s.Buses()[0].Units
	require.Len(t, units, 1)
	require.EqualValues(t, 0x2F, units[0].Address)
}
