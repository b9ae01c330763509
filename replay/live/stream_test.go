package live

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

func TestStreamHasItsOwnTime(t *testing.T) {
	s := NewStream(&capture.Slice{Frames: []capture.Frame{{At: 1000}, {At: 3000}}, Events: []capture.Event{{Kind: capture.EventBus, At: 9e9, Name: "can0"}}}, 500)
	require.EqualValues(t, 500, s.Now(), "it stands still until something has come")
	require.False(t, s.Ended())
	b := capture.NewBatch()
	before := time.Now()
	require.NoError(t, s.Next(t.Context(), b))
	now := s.Now()
	require.GreaterOrEqual(t, now, capture.Stamp(3000))
	require.LessOrEqual(t, now, capture.Stamp(3000).Add(time.Since(before)))
	require.Error(t, s.Next(t.Context(), b))
	require.True(t, s.Ended())
	require.EqualValues(t, 3000, s.Now(), "behind its end no time passes")
}

// late yields a frame of each moment a while after it.
type late struct {
	came []time.Duration // of each frame, by turns
	slow float64         // by which part of a second the clock of the frames is slow
	sent int
}

// period is how far apart the frames are.
const period = 200 * time.Millisecond

// Next implements capture.Source.
func (l *late) Next(_ context.Context, into *capture.Batch) error {
	into.Reset()
	time.Sleep(period - time.Duration(stampNow()-dawnOfBubble)%period) // to the next moment
	moment := time.Duration(stampNow() - dawnOfBubble)
	wait := l.came[l.sent%len(l.came)]
	time.Sleep(wait)
	l.sent++
	into.Frames = append(into.Frames, capture.Frame{At: l.stamp(moment)})
	return nil
}

// stamp is what the clock of the frames says at a moment.
func (l *late) stamp(moment time.Duration) capture.Stamp {
	return dawnOfBubble.Add(moment - time.Duration(l.slow*float64(moment)))
}

// dawnOfBubble is when every bubble of time begins: midnight UTC of 2000-01-01 (testing/synctest).
const dawnOfBubble = capture.Stamp(946_684_800_000_000_000)

// TestStreamGoesByTheQuickest: an age that is counted by the clock of a stream holds what the frame was late.
func TestStreamGoesByTheQuickest(t *testing.T) {
	const ms = time.Millisecond
	for name, c := range map[string]struct {
		late   []time.Duration
		slow   float64
		frames int
		short  time.Duration // the clock is behind by at most so much
		ahead  time.Duration // or before the true time, where two clocks part
	}{
		"always the same":        {[]time.Duration{20 * ms}, 0, 50, 20 * ms, 0},
		"now and then quick":     {[]time.Duration{150 * ms, 90 * ms, 10 * ms, 150 * ms, 120 * ms}, 0, 50, 10 * ms, 0},
		"quick once":             {append([]time.Duration{5 * ms}, slices.Repeat([]time.Duration{150 * ms}, 1000)...), 0, 1000, 5 * ms, 0},
		"a slow clock for hours": {[]time.Duration{100 * ms, 10 * ms}, 100e-6, 30_000, 10 * ms, 130 * ms},
		"a fast clock for hours": {[]time.Duration{100 * ms, 10 * ms}, -100e-6, 30_000, 10*ms + 100*time.Microsecond, 0},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				source := &late{came: c.late, slow: c.slow}
				s := NewStream(source, dawnOfBubble)
				b := capture.NewBatch()
				for n := range c.frames {
					require.NoError(t, s.Next(t.Context(), b))
					if n < len(c.late) && n < 5 {
						continue // until the quickest has come
					}
					off := source.stamp(time.Duration(stampNow() - dawnOfBubble)).Sub(s.Now())
					require.LessOrEqual(t, off, c.short, "frame %d", n)
					require.GreaterOrEqual(t, off, -c.ahead, "frame %d", n)
				}
			})
		})
	}
}

// stampNow is the time of a bubble as that of a recording.
func stampNow() capture.Stamp { return capture.StampOf(time.Now()) }
