package trace

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/sourcetest"
	"ridewitness/decode"
)

const step = 10_000_000 // ns

var unit = decode.Address{Request: 0x7E0, Response: 0x7E8}

// signals are one of each origin that has messages.
var signals = []decode.Signal{
	{Name: "pressures", Origin: decode.Origin{Kind: decode.FromIdentifier, Identifier: 0x4A01, Length: 8, Address: unit}, Field: decode.Field{To: 7}},
	{Name: "speed", Origin: decode.Origin{Kind: decode.FromParameter, Service: 1, Parameter: 0x0D, Length: 1}},
	{Name: "hours", Origin: decode.Origin{Kind: decode.FromGroup, Group: 65200, Source: decode.AnySource}, Field: decode.Field{From: 16, To: 19}},
}

// The bytes are laid out by hand after ISO 15765-2 (transport), ISO 14229-1 (0x22, 0x7F), SAE J1979
// (0x01) and SAE J1939-21 (announced broadcast), from memory.
func TestMessageOfAPacket(t *testing.T) {
	request := "7E0 03 22 4A 01"
	long := []string{request, "7E8 10 0B 62 4A 01 11 22 33", "7E0 30 00 00", "7E8 21 44 55 66 77 88"}
	group := []string{"1CECFF2F 20 14 00 03 FF B0 FE 00", "1CEBFF2F 01 00 01 02 03 04 05 06",
		"1CEBFF2F 02 07 08 09 0A 0B 0C 0D", "1CEBFF2F 03 0E 0F 10 11 12 13 FF"}
	answer := []byte{0x62, 0x4A, 0x01, 0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}
	for _, c := range []struct {
		name    string
		lines   []string
		packet  uint64
		way     string
		payload []byte
		packets []uint64
		meaning []string
		part    string
	}{
		{"its first packet", long, 2, "from the control unit, 0x7E8", answer, []uint64{2, 4},
			[]string{"positive answer to 0x22 ReadDataByIdentifier, identifier 0x4A01", "identifier 0x4A01 in bytes 3 to 10"}, "pressures 3 11"},
		{"its last packet", long, 4, "from the control unit, 0x7E8", answer, []uint64{2, 4},
			[]string{"positive answer to 0x22 ReadDataByIdentifier, identifier 0x4A01", "identifier 0x4A01 in bytes 3 to 10"}, "pressures 3 11"},
		{"a request", long, 1, "from the tester, 0x7E0", []byte{0x22, 0x4A, 0x01}, []uint64{1},
			[]string{"request: 0x22 ReadDataByIdentifier, identifier 0x4A01"}, ""},
		{"a refusal", []string{request, "7E8 03 7F 22 31"}, 2, "from the control unit, 0x7E8", []byte{0x7F, 0x22, 0x31}, []uint64{2},
			[]string{"refused: 0x22 ReadDataByIdentifier, code 0x31: request out of range"}, ""},
		{"a parameter", []string{"7E8 03 41 0D 32"}, 1, "from the control unit, 0x7E8", []byte{0x41, 0x0D, 0x32}, []uint64{1},
			nil, "speed 2 3"},
		{"a group of several packets", group, 3, "of group 65200 from address 0x2F",
			[]byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19}, []uint64{2, 3, 4}, nil, "hours 0 20"},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr := New(signals, nil, c.packet)
			require.True(t, tr.Needed())
			tr.Observe(sourcetest.Lines(t, step, c.lines...))
			m := tr.Message()
			require.NotNil(t, m)
			require.True(t, tr.Done())
			require.Equal(t, c.way, m.Way)
			require.Equal(t, c.payload, m.Payload)
			require.Equal(t, c.packets, m.Packets)
			if c.meaning != nil {
				require.Equal(t, c.meaning, m.Meaning)
			}
			part := ""
			for _, p := range m.Parts {
				part += fmt.Sprintf("%s %d %d", p.Signal.Name, p.From, p.To)
			}
			require.Equal(t, c.part, part)
		})
	}
}

// A message is shown whole or not at all.
func TestNoMessageOfPacketsThatDoNotMakeOne(t *testing.T) {
	for _, c := range []struct {
		name   string
		lines  []string
		packet uint64
	}{
		{"its end is missing", []string{"7E8 10 0B 62 4A 01 11 22 33", "7E0 30 00 00"}, 1},
		{"a frame of it is missing", []string{"7E8 10 12 62 4A 01 11 22 33", "7E8 22 44 55 66 77 88 99 AA"}, 1},
		{"frames were lost inside", []string{"7E8 10 0B 62 4A 01 11 22 33", "lost", "7E8 21 44 55 66 77 88"}, 1},
		{"frames of a group were lost", []string{"1CECFF2F 20 14 00 03 FF B0 FE 00", "1CEBFF2F 01 00 01 02 03 04 05 06", "lost",
			"1CEBFF2F 02 07 08 09 0A 0B 0C 0D", "1CEBFF2F 03 0E 0F 10 11 12 13 FF"}, 2},
		{"something inside was not readable", []string{"7E8 10 0B 62 4A 01 11 22 33", "damage", "7E8 21 44 55 66 77 88"}, 1},
		{"something of a group was not readable", []string{"1CECFF2F 20 14 00 03 FF B0 FE 00", "1CEBFF2F 01 00 01 02 03 04 05 06", "damage",
			"1CEBFF2F 02 07 08 09 0A 0B 0C 0D", "1CEBFF2F 03 0E 0F 10 11 12 13 FF"}, 2},
		{"a frame of another pair", []string{"123 03 22 4A 01"}, 1},
		{"a packet that is not there", []string{"7E0 03 22 4A 01"}, 9},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr := New(signals, nil, c.packet)
			tr.Observe(sourcetest.Lines(t, step, c.lines...))
			require.Nil(t, tr.Message())
			require.False(t, tr.Done())
		})
	}
}

func TestFurtherPairs(t *testing.T) {
	pair := []decode.Address{{Request: 0x6D4, Response: 0x6DC}}
	tr := New(nil, pair, 1)
	require.True(t, tr.Needed())
	tr.Observe(sourcetest.Lines(t, step, "6D4 02 10 03"))
	require.NotNil(t, tr.Message())
	require.Equal(t, "from the tester, 0x6D4", tr.Message().Way)
	require.Equal(t, []byte{0x10, 0x03}, tr.Message().Payload)
}

func TestNotNeededForFramesAlone(t *testing.T) {
	require.False(t, New([]decode.Signal{{Name: "height", Origin: decode.Origin{Kind: decode.FromFrame}}}, nil, 1).Needed())
}

// The search ends: a message that never ends does not make it read a whole night.
func TestPatienceEnds(t *testing.T) {
	tr := New(signals, nil, 1)
	tr.Observe(sourcetest.Lines(t, step, "7E8 10 0B 62 4A 01 11 22 33"))
	idle := capture.NewBatch()
	for i := range uint64(patience + 1) {
		idle.Frames = append(idle.Frames[:0], capture.Frame{Packet: i + 2, ID: 0x100})
		require.False(t, tr.Done())
		tr.Observe(idle)
	}
	require.True(t, tr.Done())
	require.Nil(t, tr.Message())
}
