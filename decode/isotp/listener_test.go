package isotp_test

import (
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode/isotp"
)

const (
	testerID capture.ID = 0x6D4
	unitID   capture.ID = 0x6DC
)

var normalPair = isotp.Pair{Request: testerID, Response: unitID}

// step is one frame of a written trace: who sends it, after what pause, its bytes in hex.
type step struct {
	id    capture.ID
	bytes string
	after time.Duration
	flags capture.Flags
}

func request(text string) step  { return step{id: testerID, bytes: text} }
func response(text string) step { return step{id: unitID, bytes: text} }

func (s step) later(d time.Duration) step { s.after = d; return s }
func (s step) as(f capture.Flags) step    { s.flags |= f; return s }

func unhex(t testing.TB, text string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	require.NoError(t, err, text)
	return b
}

// frames turns a trace into frames: packets count from 1, a step without a pause comes 1 ms after
// the one before.
func frames(t testing.TB, steps []step) []capture.Frame {
	var out []capture.Frame
	at := capture.Stamp(1_000_000_000)
	for i, s := range steps {
		pause := s.after
		if pause == 0 {
			pause = time.Millisecond
		}
		at = at.Add(pause)
		b := unhex(t, s.bytes)
		f := capture.Frame{At: at, Packet: uint64(i + 1), ID: s.id, Len: uint8(len(b)), Flags: s.flags}
		copy(f.Data[:], b)
		out = append(out, f)
	}
	return out
}

// told is what a listener says, as text: one line for each message and each incomplete one.
func told(l *isotp.Listener, all []capture.Frame) []string {
	var out []string
	note := func() {
		for _, i := range l.Incompletes() {
			out = append(out, fmt.Sprintf("%s %s", i.Direction, i.String()))
		}
	}
	for i := range all {
		m := l.Feed(&all[i])
		note()
		if m != nil {
			out = append(out, fmt.Sprintf("%s % X", m.Direction, m.Payload))
		}
	}
	l.End()
	note()
	return out
}

func listenerFor(t testing.TB, pairs ...isotp.Pair) *isotp.Listener {
	l := new(isotp.Listener)
	for _, p := range pairs {
		_, err := l.Add(p)
		require.NoError(t, err)
	}
	return l
}

// counting returns n bytes, each f of its index.
func counting(n int, f func(i int) byte) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = f(i)
	}
	return b
}

func upper(b []byte) string { return fmt.Sprintf("% X", b) }

const twentyBytes = "62 2B 01 A0 A1 A2 A3 A4 A5 A6 A7 A8 A9 AA AB AC AD AE AF B0"

// The traces follow ISO 15765-2; they were reassembled with a general packet-manipulation library
// and checked against the receiver of the Linux kernel.
func TestTraces(t *testing.T) {
	const (
		first   = "10 14 62 2B 01 A0 A1 A2"
		goOn    = "30 00 0A CC CC CC CC CC"
		second  = "21 A3 A4 A5 A6 A7 A8 A9"
		third   = "22 AA AB AC AD AE AF B0"
		whole   = "response " + twentyBytes
		nothing = ""
	)
	fd := func(s step) step { return s.as(capture.FD) }
	withByte := isotp.Pair{Request: testerID, Response: unitID, Addressing: isotp.WithByte, RequestByte: 0x3A, ResponseByte: 0x3A}
	hundred := append(unhex(t, "62 2B 05"), counting(97, func(i int) byte { return byte(7 * i) })...)

	tests := []struct {
		name string
		pair isotp.Pair
		in   []step
		want string // lines
	}{
		{"padded single frame", normalPair, []step{request("03 22 2B 01 CC CC CC CC")}, "request 22 2B 01"},
		{"single frame without padding", normalPair, []step{request("03 22 2B 01")}, "request 22 2B 01"},
		{"three frames", normalPair, []step{response(first), request(goOn), response(second), response(third)}, whole},
		{"an address byte makes it four", withByte, []step{
			response("3A 10 14 62 2B 01 A0 A1"), response("3A 21 A2 A3 A4 A5 A6 A7"),
			response("3A 22 A8 A9 AA AB AC AD"), response("3A 23 AE AF B0 CC CC CC"),
		}, whole},
		{"escape single frame of 24 bytes", normalPair, []step{
			fd(response("00 14 " + twentyBytes + " CC CC")),
		}, whole},
		{"FD frames of 64 bytes", normalPair, []step{
			fd(response("10 64 " + upper(hundred[:62]))),
			fd(response("21 " + upper(hundred[62:]) + strings.Repeat(" CC", 9))),
		}, "response " + upper(hundred)},
		{"first consecutive frame lost", normalPair, []step{response(first), request(goOn), response(third)},
			"response 6 of 20 bytes: a consecutive frame is missing (expected number 1, got 2)"},
		{"last consecutive frame lost", normalPair, []step{response(first), response(second)},
			"response 13 of 20 bytes: the recording ended"},
		{"two waits", normalPair, []step{
			response(first), request("31 00 0A"), request("31 00 0A").later(900 * time.Millisecond),
			request("30 00 0A").later(900 * time.Millisecond), response(second), response(third),
		}, whole},
		{"no flow control is seen", normalPair, []step{response(first), response(second), response(third)}, whole},
		{"overflow", normalPair, []step{response(first), request("32 00 00"), response(second)},
			"response 6 of 20 bytes: the receiver had no room for it"},
		{"a single frame while one is open", normalPair, []step{response(first), response("03 7F 22 31 CC CC CC CC")},
			"response 6 of 20 bytes: the sender began another message\nresponse 7F 22 31"},
		{"a first frame while one is open", normalPair, []step{response(first), response(first), response(second), response(third)},
			"response 6 of 20 bytes: the sender began another message\n" + whole},
		{"single frame of 8 bytes", normalPair, []step{response("08 41 0C 1A F8 0D 32 33")}, nothing},
		{"single frame of no bytes", normalPair, []step{response("00 CC CC CC CC CC CC CC")}, nothing},
		{"single frame that is cut", normalPair, []step{response("05 22 2B 01")}, nothing},
		{"plain single frame in a long FD frame", normalPair, []step{fd(response("03 22 2B 01 CC CC CC CC CC CC CC CC"))}, nothing},
		{"escape single frame that a plain one would do for", normalPair, []step{fd(response("00 07 22 2B 01 CC CC CC CC CC CC CC"))}, nothing},
		{"first frame that fits a single one", normalPair, []step{response("10 07 62 2B 01 A0 A1 A2")}, nothing},
		{"first frame of 7 bytes after an address byte", withByte, []step{
			response("3A 10 07 62 2B 01 A0 A1"), response("3A 21 A2 A3"),
		}, "response 62 2B 01 A0 A1 A2 A3"},
		{"escape for a length that needs none", normalPair, []step{response("10 00 00 00 0F FF 00 01")}, nothing},
		{"first frame that is not full", normalPair, []step{response("10 14 62 2B 01")}, nothing},
		{"recording begins within a message", normalPair, []step{response(second), response(third), response("23 00")},
			"response consecutive frames with no first frame"},
		{"one message twice", normalPair, []step{response(first), response(second), response(third), response(first), response(second), response(third)},
			whole + "\n" + whole},
		{"one message of two frames twice", normalPair, []step{
			response("10 08 62 2B 01 A0 A1 A2"), response("21 A3 A4"), response("10 08 62 2B 01 A0 A1 A2"), response("21 A3 A4"),
		}, "response 62 2B 01 A0 A1 A2 A3 A4\nresponse 62 2B 01 A0 A1 A2 A3 A4"},
		{"a repeated consecutive frame", normalPair, []step{response(first), response(second), response(second), response(third)}, whole},
		{"a repeated last frame", normalPair, []step{response(first), response(second), response(third), response(third)}, whole},
		{"repeated twice", normalPair, []step{response(first), response(second), response(second), response(second), response(third)},
			"response 13 of 20 bytes: a consecutive frame is missing (expected number 2, got 1)"},
		{"repeated too late", normalPair, []step{response(first), response(second), response(second).later(6 * time.Millisecond), response(third)},
			"response 13 of 20 bytes: a consecutive frame is missing (expected number 2, got 1)"},
		{"repeated number, other bytes", normalPair, []step{response(first), response(second), response("21 A3 A4 A5 A6 A7 A8 AA"), response(third)},
			"response 13 of 20 bytes: a consecutive frame is missing (expected number 2, got 1)"},
		{"exactly the timeout", normalPair, []step{response(first), response(second).later(time.Second), response(third).later(time.Second)}, whole},
		{"past the timeout", normalPair, []step{response(first), response(second).later(time.Second + 1), response(third)},
			"response 6 of 20 bytes: nothing more came in time"},
		{"past the timeout, then the next message", normalPair, []step{response(first), response("01 7E").later(2 * time.Second)},
			"response 6 of 20 bytes: nothing more came in time\nresponse 7E"},
		{"stamps step back", normalPair, []step{response(first), response(second).later(-time.Hour), response(third)},
			"response 6 of 20 bytes: nothing more came in time"},
		{"short frame within a message", normalPair, []step{response(first), response("21 A3 A4"), response(third)},
			"response 6 of 20 bytes: a consecutive frame has the wrong size"},
		{"long frame within a message", normalPair, []step{response(first), fd(response(second + " 00 00 00 00")), response(third)},
			"response 6 of 20 bytes: a consecutive frame has the wrong size"},
		{"frame cut by the capture", normalPair, []step{response(first), response(second).as(capture.Cut), response(third)},
			"response 6 of 20 bytes: a frame was not kept whole"},
		{"first frame cut by the capture", normalPair, []step{fd(response(first)).as(capture.Cut), response(second), response(third)},
			"response consecutive frames with no first frame"},
		{"remote frame", normalPair, []step{response(first).as(capture.Remote), response("03 22 2B 01").as(capture.Remote)}, nothing},
		{"error frame whose classes look like the identifier", normalPair, []step{response("03 22 2B 01").as(capture.Error)}, nothing},
		{"29 bit identifier of the same number", normalPair, []step{response("03 22 2B 01").as(capture.Extended)}, nothing},
		{"empty frame", normalPair, []step{response("")}, nothing},
		{"reserved flow status", normalPair, []step{response(first), request("33 00 00"), response(second), response(third)}, whole},
		{"short flow control", normalPair, []step{response(first), request("32 00"), response(second), response(third)}, whole},
		{"flow control of the sender itself", normalPair, []step{response(first), response("32 00 00"), response(second), response(third)}, whole},
		{"unknown control", normalPair, []step{response(first), response("42 00 00"), response(second), response(third)}, whole},
		{"another address byte", withByte, []step{response("3B 03 62 2B 01"), response("3A 02 7E 00")}, "response 7E 00"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := told(listenerFor(t, tt.pair), frames(t, tt.in))
			require.Equal(t, tt.want, strings.Join(got, "\n"))
		})
	}
}

// Byte patterns as in the traces above: 5000 bytes i mod 256, which need the escape of the first
// frame, and 120 bytes, which make the sequence number begin anew.
func TestLongTraces(t *testing.T) {
	long := counting(5000, func(i int) byte { return byte(i) })
	s := sender{id: unitID, size: 8, padded: true, padding: 0xCC}
	sent := s.message(long)
	require.Len(t, sent, 715)
	require.Equal(t, unhex(t, "10 00 00 00 13 88 00 01"), sent[0].Payload())
	require.Equal(t, unhex(t, "2A 81 82 83 84 85 86 87"), sent[714].Payload())
	require.Equal(t, []string{"response " + upper(long)}, told(listenerFor(t, normalPair), sent))

	turned := counting(120, func(i int) byte { return byte(i) })
	sent = s.message(turned)
	require.Len(t, sent, 18)
	require.Equal(t, unhex(t, "21 76 77 CC CC CC CC CC"), sent[17].Payload())
	require.Equal(t, []string{"response " + upper(turned)}, told(listenerFor(t, normalPair), sent))
}

func TestSeparationTime(t *testing.T) {
	tests := map[uint8]time.Duration{ // ISO 15765-2, 8.5.5.5 and 8.5.5.6
		0x00: 0, 0x0A: 10 * time.Millisecond, 0x7F: 127 * time.Millisecond, 0x80: 127 * time.Millisecond,
		0xF0: 127 * time.Millisecond, 0xF1: 100 * time.Microsecond, 0xF5: 500 * time.Microsecond,
		0xF9: 900 * time.Microsecond, 0xFA: 127 * time.Millisecond, 0xFF: 127 * time.Millisecond,
	}
	for b, want := range tests {
		require.Equal(t, want, isotp.SeparationTime(b), "0x%02X", b)
	}
}

func TestMessageNamesItsFrames(t *testing.T) {
	l := listenerFor(t, normalPair)
	all := frames(t, []step{
		request("03 22 2B 01"), response("10 14 62 2B 01 A0 A1 A2"), request("30 00 0A"),
		response("21 A3 A4 A5 A6 A7 A8 A9"), response("22 AA AB AC AD AE AF B0").as(capture.Untimed),
	})
	var m *isotp.Message
	for i := range all {
		if got := l.Feed(&all[i]); got != nil && got.Direction == isotp.Response {
			m = got
		}
	}
	require.NotNil(t, m)
	require.Equal(t, []uint64{2, 4, 5}, m.Packets)
	require.Equal(t, uint64(2), m.First)
	require.Equal(t, uint64(5), m.Last)
	require.Equal(t, all[1].At, m.Start)
	require.Equal(t, all[4].At, m.End)
	require.True(t, m.Untimed)
	require.Equal(t, []isotp.PairID{0}, m.Pairs)
	for i, b := range m.Payload {
		packet, at, ok := m.Locate(i)
		require.True(t, ok)
		require.Equal(t, b, all[packet-1].Data[at], "byte %d", i)
	}
	for _, outside := range []int{-1, 20} {
		_, _, ok := m.Locate(outside)
		require.False(t, ok)
	}
}

func TestLossClosesWhatIsOpen(t *testing.T) {
	other := isotp.Pair{Bus: 1, Request: testerID, Response: unitID}
	l := listenerFor(t, normalPair, other)
	s := sender{id: unitID, size: 8, padded: true}
	payload := counting(200, func(i int) byte { return byte(i) })
	sent := s.message(payload)
	there := sent[0]
	there.Bus = 1
	l.Feed(&there)
	// Sixteen consecutive frames are lost: the numbers would go on as if nothing had happened.
	for _, f := range append(sent[:3:3], sent[19:]...) {
		if f == sent[19] {
			l.Lost(0)
			require.Len(t, l.Incompletes(), 1)
			i := l.Incompletes()[0]
			require.Equal(t, isotp.FramesLost, i.Reason)
			require.Equal(t, payload[:20], i.Head)
			require.Equal(t, "20 of 200 bytes: frames of this bus were lost", i.String())
		}
		require.Nil(t, l.Feed(&f))
	}
	require.Empty(t, l.Incompletes(), "the gap has been told")
	require.True(t, l.Busy(1, isotp.Response), "the other bus lost nothing")
}

func TestHugeLengthsKeepNoBytes(t *testing.T) {
	l := listenerFor(t, normalPair)
	f := frames(t, []step{response("10 00 FF FF FF FF 01 02")})[0]
	require.Nil(t, l.Feed(&f))
	next := frames(t, []step{response("20 00 00 00 00 00 00 00")})[0]
	before := testing.AllocsPerRun(100, func() {
		for range 1000 {
			next.Data[0] = 0x20 | (next.Data[0]+1)&0x0F
			l.Feed(&next)
		}
	})
	require.Zero(t, before)
	l.End()
	i := l.Incompletes()[0]
	require.Equal(t, uint64(0xFFFFFFFF), i.Want)
	require.Equal(t, uint64(2+101*1000*7), i.Got)
	require.Len(t, i.Head, 2)
}

func TestTooLongIsCountedToItsEnd(t *testing.T) {
	s := sender{id: unitID, size: 8, padded: true}
	got := told(listenerFor(t, normalPair), s.message(make([]byte, isotp.MaxMessage+1)))
	require.Equal(t, []string{"response 16385 of 16385 bytes: longer than what is kept of a message"}, got)
	got = told(listenerFor(t, normalPair), s.message(make([]byte, isotp.MaxMessage)))
	require.Equal(t, []string{"response " + upper(make([]byte, isotp.MaxMessage))}, got)
}

func TestTimesRunOutWithoutFrames(t *testing.T) {
	l := listenerFor(t, normalPair)
	f := frames(t, []step{response("10 14 62 2B 01 A0 A1 A2")})[0]
	l.Feed(&f)
	l.Advance(f.At.Add(isotp.Timeout))
	require.Empty(t, l.Incompletes())
	require.True(t, l.Busy(0, isotp.Response))
	require.False(t, l.Busy(0, isotp.Request))
	l.Advance(f.At.Add(isotp.Timeout + 1))
	require.Len(t, l.Incompletes(), 1)
	require.False(t, l.Busy(0, isotp.Response))
}

// A search for what is late leaves what is not late in view.
func TestEachMessageRunsOutInItsOwnTime(t *testing.T) {
	l := listenerFor(t, normalPair)
	late := func(pause time.Duration) int {
		f := frames(t, []step{{id: 0x123, bytes: "00", after: pause}})[0]
		l.Feed(&f)
		return len(l.Incompletes())
	}
	all := frames(t, []step{
		response("10 14 62 2B 01 A0 A1 A2").later(100 * time.Millisecond),
		request("10 14 2E 2B 01 A0 A1 A2").later(300 * time.Millisecond),
	})
	l.Feed(&all[0])
	l.Feed(&all[1])
	require.Equal(t, 0, late(1100*time.Millisecond))
	require.Equal(t, 1, late(1101*time.Millisecond))
	require.Equal(t, 0, late(1400*time.Millisecond))
	require.Equal(t, 1, late(1401*time.Millisecond))
}

// A definition may give the identifier of requests to all as that of one unit: then long requests
// under it are read too, whichever was added first.
func TestFunctionalIdentifierOfAPair(t *testing.T) {
	toAll, pair := isotp.Pair{Request: testerID, Functional: true}, normalPair
	for _, order := range [][]isotp.Pair{{toAll, pair}, {pair, toAll}} {
		l := listenerFor(t, order...)
		got := told(l, frames(t, []step{request("10 08 2E 2B 01 00 00 00"), response("30 00 00"), request("21 00 00")}))
		require.Equal(t, []string{"request 2E 2B 01 00 00 00 00 00"}, got)
	}
}

func TestFunctionalRequestsAreSingleFrames(t *testing.T) {
	l := listenerFor(t, isotp.Pair{Request: 0x6D0, Functional: true})
	all := frames(t, []step{{id: 0x6D0, bytes: "02 3E 80"}, {id: 0x6D0, bytes: "10 14 62 2B 01 A0 A1 A2"}})
	m := l.Feed(&all[0])
	require.NotNil(t, m)
	require.True(t, m.Functional)
	require.Equal(t, isotp.Request, m.Direction)
	require.Nil(t, l.Feed(&all[1]))
	require.Equal(t, uint64(1), l.Counts().Malformed)
	require.False(t, l.Busy(0, isotp.Response))
}

// Two units answer one functional request; a definition may give each as a pair with that request.
func TestPairsShareAnAddress(t *testing.T) {
	l := listenerFor(t,
		isotp.Pair{Request: 0x7DF, Response: 0x7E8}, isotp.Pair{Request: 0x7DF, Response: 0x7E9})
	all := frames(t, []step{
		{id: 0x7DF, bytes: "02 01 0C"},
		{id: 0x7E8, bytes: "10 08 41 0C 1A F8 0D 32"},
		{id: 0x7E9, bytes: "10 08 41 0C 00 00 0D 00"},
		{id: 0x7DF, bytes: "32 00 00"},
	})
	m := l.Feed(&all[0])
	require.Equal(t, []isotp.PairID{0, 1}, m.Pairs)
	for i := range all[1:] {
		l.Feed(&all[1+i])
	}
	require.Len(t, l.Incompletes(), 2, "the overflow may be for either")
}

// Extended addressing: both directions may even share an identifier, their target bytes differ.
func TestDirectionsByTargetByte(t *testing.T) {
	l := listenerFor(t, isotp.Pair{Request: 0x600, Response: 0x600, Addressing: isotp.WithByte, RequestByte: 0x10, ResponseByte: 0xF1})
	got := told(l, frames(t, []step{{id: 0x600, bytes: "10 02 3E 00"}, {id: 0x600, bytes: "F1 02 7E 00"}}))
	require.Equal(t, []string{"request 3E 00", "response 7E 00"}, got)
}

func TestAddRefuses(t *testing.T) {
	tests := []struct {
		name  string
		there []isotp.Pair
		pair  isotp.Pair
		want  string
	}{
		{"long identifier", nil, isotp.Pair{Request: 0x800, Response: 1},
			"request 0x800, response 0x1: the request identifier is over 0x7FF"},
		{"long response", nil, isotp.Pair{Request: 1, Response: 0x20000000, Extended: true},
			"request 0x1, response 0x20000000: the response identifier is over 0x1FFFFFFF"},
		{"one address", nil, isotp.Pair{Request: 1, Response: 1},
			"request 0x1, response 0x1: request and response have the same address, so their frames cannot be told apart"},
		{"both directions", []isotp.Pair{normalPair}, isotp.Pair{Request: unitID, Response: 0x700},
			"request 0x6DC, response 0x700: 0x6DC is the response of one pair and the request of another"},
		{"with and without address byte", []isotp.Pair{normalPair},
			isotp.Pair{Request: testerID, Response: 0x700, Addressing: isotp.WithByte, RequestByte: 1},
			"request 0x6D4, response 0x700: 0x6D4 is used both with and without an address byte"},
		{"functional", []isotp.Pair{normalPair}, isotp.Pair{Request: unitID, Functional: true},
			"functional request 0x6DC: 0x6DC is the response of one pair and the request of another"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := listenerFor(t, tt.there...)
			_, err := l.Add(tt.pair)
			require.EqualError(t, err, tt.want)
			var typed *isotp.PairError
			require.ErrorAs(t, err, &typed)
		})
	}
}

func TestAddCountsAndRepeats(t *testing.T) {
	var l isotp.Listener
	for i := range isotp.MaxPairs {
		id, err := l.Add(isotp.Pair{Request: capture.ID(2 * i), Response: capture.ID(2*i + 1), Extended: true})
		require.NoError(t, err)
		require.Equal(t, isotp.PairID(i), id)
	}
	id, err := l.Add(isotp.Pair{Request: 2, Response: 3, Extended: true})
	require.NoError(t, err)
	require.Equal(t, isotp.PairID(1), id)
	require.Equal(t, capture.ID(2), l.Pair(id).Request)
	_, err = l.Add(normalPair)
	require.ErrorContains(t, err, "there are 512 address pairs already")
}

func TestWordsForUnknownNumbers(t *testing.T) {
	require.Equal(t, "Reason(200)", isotp.Reason(200).String())
	require.Equal(t, "Kind(9)", isotp.Kind(9).String())
	require.Equal(t, "Direction(9)", isotp.Direction(9).String())
	require.Equal(t, "Fault(99)", isotp.Fault(99).Error())
	require.Equal(t, "flow control", isotp.FlowControl.String())
}

func TestReadControl(t *testing.T) {
	tests := []struct {
		bytes string
		skip  int
		want  isotp.Control
		fault isotp.Fault
	}{
		{"30 08 0A", 0, isotp.Control{Kind: isotp.FlowControl, Block: 8, Separation: 0x0A, From: 3}, isotp.NoFault},
		{"F1 31 00 00", 1, isotp.Control{Kind: isotp.FlowControl, Status: isotp.Wait, From: 4}, isotp.NoFault},
		{"2F 01", 0, isotp.Control{Kind: isotp.ConsecutiveFrame, Sequence: 15, From: 1}, isotp.NoFault},
		{"10 00 00 00 13 88 00 01", 0, isotp.Control{Kind: isotp.FirstFrame, Length: 5000, From: 6}, isotp.NoFault},
		{"1F FF 00 00 00 00 00 00", 0, isotp.Control{Kind: isotp.FirstFrame, Length: 4095, From: 2}, isotp.NoFault},
		{"", 0, isotp.Control{}, isotp.FaultNoControl},
		{"F1", 1, isotp.Control{}, isotp.FaultNoControl},
		{"21", 0, isotp.Control{}, isotp.FaultConsecutiveEmpty},
		{"30 00", 0, isotp.Control{}, isotp.FaultFlowShort},
		{"3F 00 00", 0, isotp.Control{}, isotp.FaultFlowStatus},
		{"50", 0, isotp.Control{}, isotp.FaultKind},
		{"10 14 00", 0, isotp.Control{}, isotp.FaultFirstShort},
		{"10 07 00 00 00 00 00 00", 0, isotp.Control{}, isotp.FaultFirstLength},
		{"07 00", 1, isotp.Control{}, isotp.FaultSingleLength},
		{"05 00", 0, isotp.Control{}, isotp.FaultSingleCut},
	}
	for _, tt := range tests {
		got, fault := isotp.ReadControl(unhex(t, tt.bytes), tt.skip)
		require.Equal(t, tt.want, got, tt.bytes)
		require.Equal(t, tt.fault, fault, tt.bytes)
	}
}

func TestNothingAllocatedPerFrame(t *testing.T) {
	l := listenerFor(t, normalPair)
	s := sender{id: unitID, size: 8, padded: true}
	sent := s.message(counting(4000, func(i int) byte { return byte(i) }))
	at := capture.Stamp(0)
	feed := func() {
		for i := range sent {
			at = at.Add(time.Millisecond)
			sent[i].At = at
			l.Feed(&sent[i])
		}
		l.Feed(&sent[0])
		l.Lost(0)
	}
	feed()
	feed()
	require.Zero(t, testing.AllocsPerRun(20, feed))
	require.NotZero(t, l.Counts().Messages)
}

// Whoever asks first must hear the same as one who feeds every frame: also of what ran out of time, which any
// frame of its bus shows. 'Consecutive frame', 'first frame': ISO 15765-2.
func TestConcerns(t *testing.T) {
	extended := isotp.Pair{Request: 0x18DA10F1, Response: 0x18DAF110, Extended: true}
	first := response("10 14 01 02 03 04 05 06")
	for _, c := range []struct {
		name   string
		before []step
		frame  step
		bus    capture.BusID
		want   bool
	}{
		{name: "of a pair", frame: request("02 10 03"), want: true},
		{name: "of a pair, of 29 bits", frame: step{id: 0x18DAF110, bytes: "02 50 03"}.as(capture.Extended), want: true},
		{name: "another identifier", frame: step{id: 0x123, bytes: "02 10 03"}},
		{name: "another identifier of 29 bits", frame: step{id: 0x18DAF111, bytes: "02 50 03"}.as(capture.Extended)},
		{name: "the number of a pair, of 29 bits", frame: request("02 10 03").as(capture.Extended)},
		{name: "on a bus without pairs", frame: request("02 10 03"), bus: 1},
		{name: "another identifier while a message is under way", before: []step{first}, frame: step{id: 0x123, bytes: "00"}},
		{name: "another identifier when its time is over", before: []step{first},
			frame: step{id: 0x123, bytes: "00"}.later(1001 * time.Millisecond), want: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := listenerFor(t, normalPair, extended)
			all := frames(t, append(c.before, c.frame))
			for i := range c.before {
				require.True(t, l.Concerns(&all[i]))
				l.Feed(&all[i])
			}
			last := &all[len(all)-1]
			last.Bus = c.bus
			require.Equal(t, c.want, l.Concerns(last))
			before := l.Counts()
			heard := l.Feed(last) != nil || len(l.Incompletes()) > 0
			require.Equal(t, c.want, heard)
			if !c.want {
				require.Equal(t, before, l.Counts())
			}
		})
	}
}
