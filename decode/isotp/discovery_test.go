package isotp_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode/isotp"
)

// discover feeds rounds of a trace, one second apart, among the ordinary frames of a vehicle.
func discover(t *testing.T, rounds int, steps ...step) *isotp.Discovery {
	d := isotp.NewDiscovery()
	packet := uint64(0)
	feed := func(f capture.Frame, at capture.Stamp) {
		packet++
		f.At, f.Packet = at, packet
		d.Feed(&f)
	}
	trace := frames(t, steps)
	for round := range rounds {
		start := capture.Stamp(round) * 1_000_000_000
		for i, f := range trace {
			at := start.Add(time.Duration(i) * time.Millisecond)
			feed(f, at)
			feed(ordinary(0x4A1, byte(round), 0x50, 0x1F, byte(i), 0, 0, 0, 0), at.Add(100*time.Microsecond))
			feed(ordinary(0x123, 0x02, byte(round), byte(i), 0xFF, 0xFF, 0xFF, 0xFF, 0xFF), at.Add(200*time.Microsecond))
			feed(ordinary(0x234, 0x03, 0x62, 0x2B, 0x01, 0, 0, 0, 0), at.Add(300*time.Microsecond))
		}
	}
	return d
}

func ordinary(id capture.ID, data ...byte) capture.Frame {
	f := capture.Frame{ID: id, Len: uint8(len(data))}
	copy(f.Data[:], data)
	return f
}

func pairsOf(d *isotp.Discovery) []isotp.Pair {
	var pairs []isotp.Pair
	for _, c := range d.Candidates() {
		pairs = append(pairs, c.Pair)
	}
	return pairs
}

func TestDiscovery(t *testing.T) {
	long := []step{
		request("03 22 2B 01"), response("10 14 62 2B 01 A0 A1 A2"), request("30 00 0A"),
		response("21 A3 A4 A5 A6 A7 A8 A9"), response("22 AA AB AC AD AE AF B0"),
	}
	toAll := step{id: 0x6D0, bytes: "02 3E 80 00 00 00 00 00"}
	withByte := isotp.Pair{Request: testerID, Response: unitID, Addressing: isotp.WithByte, RequestByte: 0x40, ResponseByte: 0xF1}
	tests := []struct {
		name   string
		rounds int
		steps  []step
		want   []isotp.Pair
	}{
		{"one long answer", 1, long, []isotp.Pair{normalPair}},
		{"a long request", 3, []step{
			request("10 08 2E 2B 01 00 00 00"), response("30 00 00"), request("21 00 00"), response("03 6E 2B 01"),
		}, []isotp.Pair{normalPair}},
		{"different short answers", 2, []step{
			request("03 22 2B 01"), response("04 62 2B 01 00"), request("03 22 2B 02"), response("03 7F 22 31"),
		}, []isotp.Pair{normalPair}},
		{"one short answer for long", 10, []step{request("03 22 2B 01"), response("04 62 2B 01 00")}, []isotp.Pair{normalPair}},
		{"one short answer, too few", 9, []step{request("03 22 2B 01"), response("04 62 2B 01 00")}, nil},
		{"pending is no answer", 10, []step{request("03 22 2B 01"), response("03 7F 22 78")}, nil},
		{"tester present to all", 3, append(long, toAll),
			[]isotp.Pair{normalPair, {Request: 0x6D0, Functional: true}}},
		{"address bytes", 2, []step{
			request("40 03 22 2B 01"), response("F1 10 08 62 2B 01 A0 A1"), request("40 30 00 0A"), response("F1 21 A2 A3 A4"),
		}, []isotp.Pair{withByte}},
		{"a frame that breaks the rules", 1, append(long, response("FF FF")), nil},
		{"answers without requests", 20, []step{response("04 62 2B 01 00")}, nil},
		{"no traffic of this kind", 20, []step{{id: 0x111, bytes: "FF"}}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.want, pairsOf(discover(t, tt.rounds, tt.steps...)))
		})
	}
}

func TestLateAnswersAreNone(t *testing.T) {
	trace := frames(t, []step{request("03 22 2B 01"), response("04 62 2B 01 00")})
	for _, pause := range []time.Duration{time.Second, time.Second + 1} {
		d := isotp.NewDiscovery()
		for round := range 20 {
			trace[0].At = capture.Stamp(round) * 10_000_000_000
			trace[1].At = trace[0].At.Add(pause)
			d.Feed(&trace[0])
			d.Feed(&trace[1])
		}
		require.Equal(t, pause == time.Second, len(d.Candidates()) == 1, pause)
	}
}

func TestCandidateSaysLooksLike(t *testing.T) {
	c := discover(t, 1,
		request("03 22 2B 01"), response("10 14 62 2B 01 A0 A1 A2"), request("30 00 0A"), response("21 A3 A4 A5 A6 A7 A8 A9"),
	).Candidates()[0]
	require.Equal(t, "0x6D4 and 0x6DC look like requests and responses (requests: 1, answers: 1, flow controls that fit: 1)", c.String())
	f := isotp.Candidate{Pair: isotp.Pair{Request: 0x6D0, Functional: true}, Requests: 4}
	require.Equal(t, "0x6D0 looks like requests to all units ('tester present': 4)", f.String())
}

func TestDiscoveryIsBounded(t *testing.T) {
	d := isotp.NewDiscovery()
	for id := range capture.ID(20000) {
		f := capture.Frame{ID: id, Flags: capture.Extended, Len: 3, Data: [64]byte{2, 0x3E, 0x80}}
		d.Feed(&f)
	}
	require.True(t, d.Full())
	require.Empty(t, d.Candidates())
}
