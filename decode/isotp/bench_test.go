package isotp_test

import (
	"testing"
	"time"

	"ridewitness/capture"
	"ridewitness/decode/isotp"
)

// What each frame of a bus costs on which nothing is defined.
func BenchmarkFeedNothingDefined(b *testing.B) {
	l := listenerFor(b, isotp.Pair{Bus: 1, Request: testerID, Response: unitID})
	f := capture.Frame{ID: unitID, Len: 8}
	b.ReportAllocs()
	for b.Loop() {
		l.Feed(&f)
	}
}

// The same on a bus with pairs, for a frame that is none of theirs.
func BenchmarkFeedOtherIdentifier(b *testing.B) {
	l := listenerFor(b, normalPair)
	f := capture.Frame{ID: 0x123, Len: 8}
	b.ReportAllocs()
	for b.Loop() {
		l.Feed(&f)
	}
}

// A bus full of long messages. One operation is one frame.
func BenchmarkFeedLongMessages(b *testing.B) {
	for _, size := range []struct {
		name  string
		bytes int
	}{{"classic", 8}, {"fd", 64}} {
		b.Run(size.name, func(b *testing.B) {
			l := listenerFor(b, normalPair)
			s := sender{id: unitID, size: size.bytes, padded: true}
			frames := s.message(make([]byte, 4000))
			at, i := capture.Stamp(0), 0
			b.ReportAllocs()
			for b.Loop() {
				at = at.Add(100 * time.Microsecond)
				frames[i].At = at
				l.Feed(&frames[i])
				if i++; i == len(frames) {
					i = 0
				}
			}
		})
	}
}
