// Package sourcetest holds what every capture.Source promises, as a suite that any of them can run.
//
//	func TestConformance(t *testing.T) {
//		sourcetest.Run(t, func(t *testing.T) capture.Source { return open(t) })
//	}
//
// open returns a fresh source at its beginning each time, over the same content, with at least one
// frame and an end. The suite then reads it in every way that a caller may: in batches of one frame, of
// an odd size, without room, with a batch that holds rubbish, with a context that is done.
//
// The invariant it holds on to: however it is read, a source yields the same frames, and the same events
// at the same places among them.
//
// A source over a real bus has no content that repeats and no end; for such a one RunLive holds the
// promises that remain. The suite knows no file format and judges no content.
package sourcetest

import (
	"context"
	"errors"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

// maxBatches bounds every walk: a source that never ends fails instead of hanging.
const maxBatches = 1 << 20

// Open returns a fresh source. It uses t for cleaning up and for its own errors.
type Open func(t *testing.T) capture.Source

// Run holds a source with an end against everything that capture.Source promises. The source may end
// with an error instead of io.EOF; it must then do so in the same place each time.
func Run(t *testing.T, open Open) {
	t.Helper()
	var whole Content
	t.Run("the content is in order", func(t *testing.T) {
		whole = Read(t, open(t), capture.BatchFrames)
		require.NotEmpty(t, whole.Frames, "the suite needs a source with at least one frame")
		checkContent(t, whole)
	})
	for name, room := range map[string]int{"one frame a batch": 1, "three frames a batch": 3, "much room": 4 * capture.BatchFrames, "no room given": 0} {
		t.Run("the same content: "+name, func(t *testing.T) { whole.requireSame(t, Read(t, open(t), room)) })
	}
	t.Run("rubbish in the batch is dropped", func(t *testing.T) { whole.requireSame(t, readWithRubbish(t, open(t))) })
	t.Run("the end stays the end", func(t *testing.T) { checkSticky(t, open(t)) })
	t.Run("a done context is not the end", func(t *testing.T) { whole.requireSame(t, readAround(t, open(t))) })
	t.Run("event bodies are not reused", func(t *testing.T) { checkBodies(t, open(t)) })
}

// RunLive holds a source without a repeatable content, such as a bus, against what remains: limits,
// order, and that a done context ends the wait. It takes that many batches; something else must keep
// the bus busy meanwhile.
func RunLive(t *testing.T, source capture.Source, batches int) {
	t.Helper()
	b := capture.NewBatch()
	var c Content
	for range batches {
		require.NoError(t, source.Next(t.Context(), b))
		checkBatch(t, b, capture.BatchFrames)
		c.add(b)
	}
	checkContent(t, c)
	done, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, source.Next(done, b), context.Canceled)
	require.NoError(t, source.Next(t.Context(), b), "the error of a done context is not final")
}

// Content is everything that a source yielded, with Event.Index counting frames of the whole.
type Content struct {
	Frames []capture.Frame
	Events []capture.Event
	End    error // io.EOF, or what else ended it
}

// Read reads a source to its end in batches with room for that many frames, and holds every batch
// against the limits.
func Read(t testing.TB, s capture.Source, room int) Content {
	t.Helper()
	b := &capture.Batch{Frames: make([]capture.Frame, 0, room)}
	return readInto(t, s, func() *capture.Batch { return b }, room)
}

func readInto(t testing.TB, s capture.Source, batch func() *capture.Batch, room int) Content {
	t.Helper()
	if room == 0 {
		room = capture.BatchFrames
	}
	var c Content
	for range maxBatches {
		b := batch()
		if err := s.Next(t.Context(), b); err != nil {
			checkEmpty(t, b)
			c.End = err
			return c
		}
		checkBatch(t, b, room)
		c.add(b)
		if cap(b.Frames) != room {
			b.Frames = slices.Clip(b.Frames[:0:min(room, cap(b.Frames))])
		}
	}
	require.FailNow(t, "the source does not end")
	return c
}

func (c *Content) add(b *capture.Batch) {
	before := len(c.Frames)
	c.Frames = append(c.Frames, b.Frames...)
	for _, e := range b.Events {
		e.Index += before
		c.Events = append(c.Events, e)
	}
}

// requireSame compares frames by value and events by what they tell: errors by their text.
func (c Content) requireSame(t *testing.T, got Content) {
	t.Helper()
	require.Equal(t, c.Frames, got.Frames)
	require.Equal(t, told(c.Events), told(got.Events))
	require.Equal(t, c.End.Error(), got.End.Error())
}

// told returns the events with errors as texts in place of values that differ in identity.
func told(events []capture.Event) []capture.Event {
	all := slices.Clone(events)
	for i := range all {
		if all[i].Err != nil {
			all[i].Name, all[i].Err = all[i].Err.Error(), nil
		}
	}
	return all
}

func checkEmpty(t testing.TB, b *capture.Batch) {
	t.Helper()
	require.Empty(t, b.Frames, "a batch that comes with an error is empty")
	require.Empty(t, b.Events, "a batch that comes with an error is empty")
}

// checkBatch holds a batch against the limits that Source states.
func checkBatch(t testing.TB, b *capture.Batch, room int) {
	t.Helper()
	require.Positive(t, len(b.Frames)+len(b.Events), "a batch without an error holds something")
	require.LessOrEqual(t, len(b.Frames), room, "no more frames than there was room for")
	last := 0
	for _, e := range b.Events {
		require.GreaterOrEqual(t, e.Index, last, "events come by Index")
		require.LessOrEqual(t, e.Index, len(b.Frames), "an event lies among the frames of its batch")
		last = e.Index
	}
	for i := range b.Frames {
		f := &b.Frames[i]
		require.LessOrEqual(t, int(f.Len), capture.MaxData)
		require.Less(t, int(f.Bus), capture.MaxBuses)
		for _, rest := range f.Data[len(f.Payload()):] {
			require.Zero(t, rest, "data beyond the payload is zero, so that frames compare with ==")
		}
	}
}

// checkContent holds the whole against what is promised of its order.
func checkContent(t *testing.T, c Content) {
	t.Helper()
	next := 0
	named := map[capture.BusID]bool{}
	packet := uint64(0)
	for i := range c.Frames {
		for next < len(c.Events) && c.Events[next].Index <= i {
			checkEvent(t, &c.Events[next], named)
			next++
		}
		f := &c.Frames[i]
		require.True(t, named[f.Bus], "frame %d: bus %d was not named before its first frame", i, f.Bus)
		if f.Packet != 0 {
			require.Greater(t, f.Packet, packet, "packet numbers rise")
			packet = f.Packet
		}
	}
	for ; next < len(c.Events); next++ {
		checkEvent(t, &c.Events[next], named)
	}
}

func checkEvent(t *testing.T, e *capture.Event, named map[capture.BusID]bool) {
	t.Helper()
	require.NotZero(t, e.Kind)
	switch e.Kind {
	case capture.EventBus:
		require.NotEmpty(t, e.Name, "a bus has a name")
		require.False(t, named[e.Bus], "a bus is named once")
		named[e.Bus] = true
	case capture.EventJournal:
		require.NotEmpty(t, e.Body, "a journal record has a body")
	case capture.EventLoss:
		require.Positive(t, e.Count, "a loss of none is no event")
	case capture.EventTimeBack:
		require.Positive(t, e.Count)
	case capture.EventDamage:
		require.Error(t, e.Err, "damage says what and where")
	}
}

// readWithRubbish gives a batch that is full of something else each time.
func readWithRubbish(t *testing.T, s capture.Source) Content {
	t.Helper()
	rubbish := capture.Frame{At: -1, Packet: 1 << 60, ID: 0x7FF, Bus: 63, Len: 64, Flags: 0xFFFF}
	for i := range rubbish.Data {
		rubbish.Data[i] = 0xA5
	}
	return readInto(t, s, func() *capture.Batch {
		return &capture.Batch{
			Frames: slices.Repeat([]capture.Frame{rubbish}, capture.BatchFrames),
			Events: []capture.Event{{Kind: capture.EventLoss, Index: 1000, Count: 7, Name: "rubbish"}},
		}
	}, capture.BatchFrames)
}

// checkSticky asks again after the end.
func checkSticky(t *testing.T, s capture.Source) {
	t.Helper()
	end := Read(t, s, capture.BatchFrames).End
	b := capture.NewBatch()
	for range 3 {
		err := s.Next(t.Context(), b)
		require.Equal(t, end, err, "the end answers the same each time")
		checkEmpty(t, b)
	}
}

// readAround asks with a done context before each batch. Nothing may be lost by it.
func readAround(t *testing.T, s capture.Source) Content {
	t.Helper()
	done, cancel := context.WithCancel(t.Context())
	cancel()
	b := capture.NewBatch()
	var c Content
	for range maxBatches {
		err := s.Next(done, b)
		require.True(t, errors.Is(err, context.Canceled) || c.End != nil, "a done context is told: %v", err)
		checkEmpty(t, b)
		if err := s.Next(t.Context(), b); err != nil {
			c.End = err
			return c
		}
		c.add(b)
	}
	require.FailNow(t, "the source does not end")
	return c
}

// checkBodies keeps the bodies of all events and looks at them again after the end.
func checkBodies(t *testing.T, s capture.Source) {
	t.Helper()
	type kept struct{ body, then []byte }
	var all []kept
	b := capture.NewBatch()
	for range maxBatches {
		if s.Next(t.Context(), b) != nil {
			break
		}
		for _, e := range b.Events {
			all = append(all, kept{e.Body, slices.Clone(e.Body)})
		}
	}
	for _, k := range all {
		require.Equal(t, k.then, k.body, "the body of an event stays what it was")
	}
}
