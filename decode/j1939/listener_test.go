package j1939_test

import (
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode/j1939"
)

func unhex(t testing.TB, text string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	require.NoError(t, err, text)
	return b
}

// step is one frame of a written trace.
type step struct {
	id    capture.ID
	bytes string
	after time.Duration
	flags capture.Flags
}

func at(id capture.ID, bytes string) step {
	return step{id: id, bytes: bytes, after: 50 * time.Millisecond}
}
func (s step) in(d time.Duration) step     { s.after = d; return s }
func (s step) as(flags capture.Flags) step { s.flags |= flags; return s }

func frames(t testing.TB, steps []step) []capture.Frame {
	var out []capture.Frame
	at := capture.Stamp(1_000_000_000)
	for i, s := range steps {
		at = at.Add(s.after)
		b := unhex(t, s.bytes)
		f := capture.Frame{At: at, Packet: uint64(i + 1), ID: s.id, Len: uint8(len(b)), Flags: s.flags | capture.Extended}
		copy(f.Data[:], b)
		out = append(out, f)
	}
	return out
}

// told is what a listener says, one line for each message and each incomplete one.
func told(l *j1939.Listener, all []capture.Frame) []string {
	var out []string
	note := func() {
		for _, i := range l.Incompletes() {
			out = append(out, fmt.Sprintf("%d from 0x%02X to 0x%02X: %s", i.Group, i.Source, i.Destination, i.String()))
		}
	}
	for i := range all {
		m := l.Feed(&all[i])
		note()
		if m != nil {
			out = append(out, fmt.Sprintf("%d from 0x%02X to 0x%02X: % X", m.Group, m.Source, m.Destination, m.Payload))
		}
	}
	l.End()
	note()
	return out
}

func watching() *j1939.Listener {
	l := new(j1939.Listener)
	l.Watch(0)
	return l
}

const payload = "FF FF FF FF FF FF FF FF FF FF FF FF FF FF FF FF 2D 00 00 00"

// Layouts follow SAE J1939-21 as in the documentation and source of the Linux kernel's own
// implementation; the values are invented.
func TestTransport(t *testing.T) {
	announce := at(0x1CECFF2F, "20 14 00 03 FF B0 FE 00")
	all1 := at(0x1CEBFF2F, "01 FF FF FF FF FF FF FF")
	all2 := at(0x1CEBFF2F, "02 FF FF FF FF FF FF FF")
	all3 := at(0x1CEBFF2F, "03 FF FF 2D 00 00 00 FF")

	ask := at(0x18EA2FF9, "B0 FE 00")
	request := at(0x1CECF92F, "10 14 00 03 FF B0 FE 00")
	clear := at(0x1CEC2FF9, "11 03 01 FF FF B0 FE 00")
	hold := at(0x1CEC2FF9, "11 00 FF FF FF B0 FE 00")
	end := at(0x1CEC2FF9, "13 14 00 03 FF B0 FE 00")
	abort := at(0x1CEC2FF9, "FF 03 FF FF FF B0 FE 00")
	to1 := at(0x1CEBF92F, "01 FF FF FF FF FF FF FF")
	to2 := at(0x1CEBF92F, "02 FF FF FF FF FF FF FF")
	to3 := at(0x1CEBF92F, "03 FF FF 2D 00 00 00 FF")

	const broadcast = "65200 from 0x2F to 0xFF: "
	const directed = "65200 from 0x2F to 0xF9: "
	const over = time.Second + 250*time.Millisecond
	tests := []struct {
		name string
		in   []step
		want string
	}{
		{"broadcast", []step{announce, all1, all2, all3}, broadcast + payload},
		{"broadcast, slowest packets", []step{announce, all1.in(750 * time.Millisecond), all2.in(750 * time.Millisecond), all3.in(750 * time.Millisecond)},
			broadcast + payload},
		{"broadcast, too slow", []step{announce, all1, all2.in(750*time.Millisecond + 1), all3},
			broadcast + "7 of 20 bytes: nothing more came in time\n0 from 0x2F to 0xFF: data packets with no announcement"},
		{"broadcast, a packet is missing", []step{announce, all1, all3}, broadcast + "7 of 20 bytes: a packet is missing"},
		{"broadcast, the first is missing", []step{announce, all2, all3}, broadcast + "0 of 20 bytes: a packet is missing"},
		{"broadcast, the last is missing", []step{announce, all1, all2}, broadcast + "14 of 20 bytes: the recording ended"},
		{"broadcast, a packet twice", []step{announce, all1, all1, all2, all3}, broadcast + payload},
		{"broadcast, announced again", []step{announce, all1, announce, all1, all2, all3},
			broadcast + "7 of 20 bytes: the sender announced another message\n" + broadcast + payload},
		{"a packet after the end of a broadcast", []step{announce, all1, all2, all3, all1},
			broadcast + payload + "\n0 from 0x2F to 0xFF: data packets with no announcement"},
		{"two senders at once", []step{announce, at(0x1CECFF30, "20 09 00 02 FF B1 FE 00"), all1, at(0x1CEBFF30, "01 01 02 03 04 05 06 07"), all2,
			at(0x1CEBFF30, "02 08 09 FF FF FF FF FF"), all3},
			"65201 from 0x30 to 0xFF: 01 02 03 04 05 06 07 08 09\n" + broadcast + payload},
		{"a broadcast and a directed one from one unit", []step{announce, request, all1, to1, all2, to2, all3, to3},
			broadcast + payload + "\n" + directed + payload},
		{"no announcement", []step{all1, all2, all3}, "0 from 0x2F to 0xFF: data packets with no announcement"},

		{"directed", []step{ask, request, clear, to1, to2, to3, end}, directed + payload},
		{"directed, in two blocks", []step{request, at(0x1CEC2FF9, "11 02 01 FF FF B0 FE 00"), to1, to2, at(0x1CEC2FF9, "11 01 03 FF FF B0 FE 00"), to3, end},
			directed + payload},
		{"directed, the receiver's frames are not seen", []step{request, to1, to2, to3}, directed + payload},
		{"hold", []step{request, hold, hold.in(500 * time.Millisecond), hold.in(500 * time.Millisecond), clear.in(500 * time.Millisecond), to1, to2, to3, end},
			directed + payload},
		{"hold without end", []step{request, hold, clear.in(over + 1), to1},
			directed + "0 of 20 bytes: nothing more came in time\n0 from 0x2F to 0xF9: data packets with no announcement"},
		{"retransmission of a lost packet", []step{request, clear, to1, to3, at(0x1CEC2FF9, "11 02 02 FF FF B0 FE 00"), to2, to3, end},
			directed + payload},
		{"retransmission of everything", []step{request, clear, to1, to2, at(0x1CEC2FF9, "11 03 01 FF FF B0 FE 00"), to1, to2, to3, end},
			directed + payload},
		{"retransmission after all packets", []step{request, clear, to1, to2, to3, at(0x1CEC2FF9, "11 01 03 FF FF B0 FE 00"), to3, end},
			directed + payload},
		{"retransmission with other bytes", []step{request, clear, to1, at(0x1CEBF92F, "01 FF FF FF FF FF FF 00"), to2, to3},
			directed + "7 of 20 bytes: a packet came again with other bytes"},
		{"other packets after all packets", []step{request, clear, to1, to2, to3, at(0x1CEBF92F, "01 FF FF FF FF FF FF 00"), at(0x1CEBF92F, "02 FF FF FF FF FF FF 00")},
			directed + payload + "\n0 from 0x2F to 0xF9: data packets with no announcement"},
		{"aborted by the receiver", []step{request, clear, to1, abort, to2}, directed + "7 of 20 bytes: aborted: time ran out\n0 from 0x2F to 0xF9: data packets with no announcement"},
		{"aborted by the sender", []step{request, clear, at(0x1CECF92F, "FF 02 FF FF FF B0 FE 00")}, directed + "0 of 20 bytes: aborted: no resources"},
		{"abort of another group", []step{request, clear, at(0x1CEC2FF9, "FF 03 FF FF FF B1 FE 00"), to1, to2, to3}, directed + payload},
		{"the receiver has all, we do not", []step{request, clear, to1, to3, end}, directed + "13 of 20 bytes: the receiver confirmed the end, but not all packets were seen"},
		{"requested again", []step{request, clear, to1, request, clear, to1, to2, to3, end},
			directed + "7 of 20 bytes: the sender announced another message\n" + directed + payload},
		{"both ways at once", []step{request, at(0x1CEC2FF9, "10 09 00 02 FF 00 EF 00"), to1, at(0x1CEB2FF9, "01 01 02 03 04 05 06 07"), to2,
			at(0x1CEB2FF9, "02 08 09 FF FF FF FF FF"), to3},
			"61184 from 0xF9 to 0x2F: 01 02 03 04 05 06 07 08 09\n" + directed + payload},
		{"stamps step back", []step{request, to1, to2.in(-time.Hour), to3}, directed + "7 of 20 bytes: nothing more came in time"},

		{"packets do not fit the size", []step{at(0x1CECFF2F, "20 14 00 04 FF B0 FE 00"), at(0x1CECFF2F, "20 15 00 02 FF B0 FE 00")}, ""},
		{"too short to need it", []step{at(0x1CECFF2F, "20 08 00 02 FF B0 FE 00")}, ""},
		{"too long for it", []step{at(0x1CECFF2F, "20 FA 06 00 FF B0 FE 00")}, ""},
		{"group of more than 18 bits", []step{at(0x1CECFF2F, "20 14 00 03 FF B0 FE 04")}, ""},
		{"broadcast to one", []step{at(0x1CECF92F, "20 14 00 03 FF B0 FE 00")}, ""},
		{"request to send to all", []step{at(0x1CECFF2F, "10 14 00 03 FF B0 FE 00")}, ""},
		{"unknown control", []step{at(0x1CECFF2F, "77 14 00 03 FF B0 FE 00")}, ""},
		{"short control", []step{at(0x1CECFF2F, "20 14 00 03 FF B0 FE")}, ""},
		{"packet numbers out of range", []step{announce, at(0x1CEBFF2F, "00 01"), at(0x1CEBFF2F, "04 01"), at(0x1CEBFF2F, ""), all1, all2, all3}, broadcast + payload},
		{"a short packet", []step{announce, at(0x1CEBFF2F, "01 FF FF"), all2}, broadcast + "0 of 20 bytes: a packet has too few bytes"},
		{"a packet cut by the capture", []step{announce, all1.as(capture.Cut), all2}, broadcast + "0 of 20 bytes: a packet has too few bytes"},
		{"a last packet without fill", []step{announce, all1, all2, at(0x1CEBFF2F, "03 FF FF 2D 00 00 00")}, broadcast + payload},
		{"remote and error frames", []step{announce.as(capture.Remote), announce.as(capture.Error), all1.as(capture.Remote)}, ""},
		{"extended transport", []step{at(0x1CC8F92F, "14 00 08 00 00 B0 FE 00"), at(0x1CC7F92F, "01 00 00 00 00 00 00 00")},
			directed + "0 of 2048 bytes: sent by the extended transport protocol, which is not read"},
		{"other groups", []step{at(0x18FE5827, "88 13 7B 13 00 FE FF FF"), ask}, ""},
		{"the same format on the other data page", []step{at(0x1DECFF2F, "20 14 00 03 FF B0 FE 00")}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.want, strings.Join(told(watching(), frames(t, tt.in)), "\n"))
		})
	}
}

func TestOtherBusesAreNotRead(t *testing.T) {
	l := watching()
	for _, f := range frames(t, []step{at(0x1CECFF2F, "20 14 00 03 FF B0 FE 00"), at(0x1CEBFF2F, "01 FF FF FF FF FF FF FF")}) {
		f.Bus = 1
		require.Nil(t, l.Feed(&f))
	}
	l.Lost(1)
	l.End()
	require.Empty(t, l.Incompletes())
	require.Zero(t, l.Counts())
}

func TestMessageNamesItsFrames(t *testing.T) {
	l := watching()
	all := frames(t, []step{
		at(0x1CECF92F, "10 14 00 03 FF B0 FE 00"), at(0x1CEC2FF9, "11 03 01 FF FF B0 FE 00"),
		at(0x1CEBF92F, "02 08 09 0A 0B 0C 0D 0E"), at(0x1CEBF92F, "03 0F 10 11 12 13 14 FF"),
		at(0x1CEBF92F, "01 01 02 03 04 05 06 07").as(capture.Untimed),
	})
	var m *j1939.Message
	for i := range all {
		m = l.Feed(&all[i])
	}
	require.NotNil(t, m)
	require.Equal(t, []uint64{5, 3, 4}, m.Packets)
	require.Equal(t, uint64(1), m.First)
	require.Equal(t, uint64(5), m.Last)
	require.Equal(t, all[0].At, m.Start)
	require.Equal(t, all[4].At, m.End)
	require.True(t, m.Untimed)
	for i, b := range m.Payload {
		require.Equal(t, byte(i+1), b)
		packet, at, ok := m.Locate(i)
		require.True(t, ok)
		require.Equal(t, b, all[packet-1].Data[at])
	}
	_, _, ok := m.Locate(20)
	require.False(t, ok)
}

// An end and an announcement are lost: the packets that follow would fit.
func TestLossClosesWhatIsOpen(t *testing.T) {
	l := watching()
	first := frames(t, []step{at(0x1CECFF2F, "20 14 00 03 FF B0 FE 00"), at(0x1CEBFF2F, "01 01 01 01 01 01 01 01")})
	for i := range first {
		l.Feed(&first[i])
	}
	l.Lost(0)
	require.Len(t, l.Incompletes(), 1)
	require.Equal(t, "7 of 20 bytes: frames of this bus were lost", l.Incompletes()[0].String())
	require.Equal(t, []uint64{2, 0, 0}, l.Incompletes()[0].Packets)
	rest := frames(t, []step{at(0x1CEBFF2F, "02 02 02 02 02 02 02 02"), at(0x1CEBFF2F, "03 02 02 02 02 02 02 FF")})
	for i := range rest {
		require.Nil(t, l.Feed(&rest[i]))
		require.Empty(t, l.Incompletes(), "the gap has been told")
	}
}

func TestTimesRunOutWithoutFrames(t *testing.T) {
	l := watching()
	f := frames(t, []step{at(0x1CECFF2F, "20 14 00 03 FF B0 FE 00")})[0]
	l.Feed(&f)
	l.Advance(f.At.Add(j1939.BroadcastTimeout))
	require.Empty(t, l.Incompletes())
	l.Advance(f.At.Add(j1939.BroadcastTimeout + 1))
	require.Len(t, l.Incompletes(), 1)
}

// What runs out of time in the call that opens another session keeps what it tells, and the memory
// that is used again keeps nothing of it.
func TestMemoryIsUsedAgainCleanly(t *testing.T) {
	l := watching()
	all := frames(t, []step{
		at(0x1CECFF2F, "20 14 00 03 FF B0 FE 00"), at(0x1CECFF30, "20 14 00 03 FF B0 FE 00"),
		at(0x1CEBFF2F, "01 01 01 01 01 01 01 01"), at(0x1CEBFF30, "01 02 02 02 02 02 02 02"),
		at(0x1CEBFF30, "02 02 02 02 02 02 02 02"),
		at(0x1CECFF31, "20 14 00 03 FF B0 FE 00").in(time.Second),
		at(0x1CEBFF31, "01 03 03 03 03 03 03 03"),
		at(0x1CECFF32, "20 14 00 03 FF B0 FE 00").in(time.Second),
		at(0x1CEBFF32, "02 03 03 03 03 03 03 03"),
	})
	var packets [][]uint64
	for i := range all {
		l.Feed(&all[i])
		for _, part := range l.Incompletes() {
			packets = append(packets, append([]uint64{}, part.Packets...))
		}
	}
	require.Equal(t, [][]uint64{{3, 0, 0}, {4, 5, 0}, {7, 0, 0}, {0, 0, 0}}, packets)
}

// A search for what is late leaves what is not late in view.
func TestEachMessageRunsOutInItsOwnTime(t *testing.T) {
	l := watching()
	late := func(pause time.Duration) int {
		f := frames(t, []step{at(0x18FE5827, "FF").in(pause)})[0]
		l.Feed(&f)
		return len(l.Incompletes())
	}
	all := frames(t, []step{at(0x1CECFF2F, "20 14 00 03 FF B0 FE 00").in(0), at(0x1CECFF30, "20 14 00 03 FF B0 FE 00").in(300 * time.Millisecond)})
	l.Feed(&all[0])
	l.Feed(&all[1])
	require.Equal(t, 0, late(750*time.Millisecond))
	require.Equal(t, 1, late(800*time.Millisecond))
	require.Equal(t, 0, late(1050*time.Millisecond))
	require.Equal(t, 1, late(1051*time.Millisecond))
}

// More messages at once than are followed: the quietest gives way and is told.
func TestSessionsAreBounded(t *testing.T) {
	l := watching()
	crowded := 0
	for source := range 200 {
		for destination := range 4 {
			f := frames(t, []step{at(0x1CEC0000|capture.ID(destination)<<8|capture.ID(source), "10 14 00 03 FF B0 FE 00")})[0]
			l.Feed(&f)
			for _, i := range l.Incompletes() {
				require.Equal(t, j1939.Crowded, i.Reason)
				crowded++
			}
		}
	}
	require.Equal(t, 200*4-j1939.MaxSessions, crowded)
	l.End()
	require.Len(t, l.Incompletes(), j1939.MaxSessions)
}

func TestWordsForUnknownNumbers(t *testing.T) {
	require.Equal(t, "Reason(99)", j1939.Reason(99).String())
	require.Equal(t, "reason 77", j1939.AbortReason(77).String())
	require.Equal(t, "more than 1785 bytes", j1939.AbortReason(9).String())
}

func TestNothingAllocatedPerFrame(t *testing.T) {
	l := watching()
	all := frames(t, []step{
		at(0x1CECFF2F, "20 14 00 03 FF B0 FE 00"), at(0x1CECF92F, "10 14 00 03 FF B0 FE 00"),
		at(0x1CEBFF2F, "01 FF FF FF FF FF FF FF"), at(0x1CEBF92F, "01 FF FF FF FF FF FF FF"),
		at(0x1CEBFF2F, "02 FF FF FF FF FF FF FF"), at(0x1CEBF92F, "02 FF FF FF FF FF FF FF"),
		at(0x1CEBFF2F, "03 FF FF 2D 00 00 00 FF"), at(0x1CEBF92F, "03 FF FF 2D 00 00 00 FF"),
		at(0x1CECFF30, "20 14 00 03 FF B0 FE 00"), at(0x1CECFF30, "20 14 00 03 FF B0 FE 00"),
		at(0x1CEBFF30, "03 FF FF FF FF FF FF FF"), at(0x1CEBFF31, "03 FF FF FF FF FF FF FF"),
	})
	feed := func() {
		for i := range all {
			all[i].At = all[i].At.Add(time.Second)
			l.Feed(&all[i])
		}
	}
	for range 50 {
		feed()
	}
	require.Zero(t, testing.AllocsPerRun(50, feed))
	require.NotZero(t, l.Counts().Messages)
	require.NotZero(t, l.Counts().Incomplete)
}

// What each frame of a bus costs that does not speak J1939, of one that does, and of one full of long
// messages. One operation is one frame.
func BenchmarkFeed(b *testing.B) {
	all := frames(b, []step{
		at(0x1CECFF2F, "20 14 00 03 FF B0 FE 00"), at(0x1CEBFF2F, "01 FF FF FF FF FF FF FF"),
		at(0x1CEBFF2F, "02 FF FF FF FF FF FF FF"), at(0x1CEBFF2F, "03 FF FF 2D 00 00 00 FF"),
	})
	single := frames(b, []step{at(0x18FE5827, "88 13 7B 13 00 FE FF FF")})
	run := func(name string, l *j1939.Listener, frames []capture.Frame) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				l.Feed(&frames[i%len(frames)])
			}
		})
	}
	run("not watched", new(j1939.Listener), single)
	run("single frames", watching(), single)
	run("long messages", watching(), all)
}
