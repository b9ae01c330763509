package socketcan

import (
	"context"
	"io"
	"sync"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/sourcetest"
)

// queued is a Source over a queue that somebody else fills.
type queued struct{ *queue }

func (q queued) Next(ctx context.Context, into *capture.Batch) error { return q.next(ctx, into) }

func frame(n int) *capture.Frame { return &capture.Frame{At: capture.Stamp(n), ID: capture.ID(n)} }

func loss(bus capture.BusID, count uint64) capture.Event {
	return capture.Event{Kind: capture.EventLoss, Bus: bus, Count: count}
}

// filled returns a queue that holds all that a source may yield, with its end.
func filled(*testing.T) capture.Source {
	q := newQueue(1024)
	q.tell(capture.Event{Kind: capture.EventBus, Name: "can0"})
	for n := range 1000 {
		if n%97 == 3 {
			q.tell(loss(0, uint64(n)))
		}
		if n%300 == 7 {
			q.tell(journal(capture.Stamp(n), "link", map[string]int{"n": n}))
		}
		q.put(frame(n))
	}
	q.tell(loss(0, 5))
	q.end(io.EOF)
	return queued{q}
}

func TestQueueIsASource(t *testing.T) { sourcetest.Run(t, filled) }

func TestQueueFullTurnsAway(t *testing.T) {
	q := newQueue(4)
	for n := range 4 {
		require.True(t, q.put(frame(n)))
	}
	require.False(t, q.put(frame(4)))
	b := &capture.Batch{Frames: make([]capture.Frame, 0, 2)}
	require.NoError(t, q.next(t.Context(), b))
	require.Equal(t, []capture.Frame{*frame(0), *frame(1)}, b.Frames)
	require.True(t, q.put(frame(5)), "there is room again")
	require.True(t, q.put(frame(6)))
	require.False(t, q.put(frame(7)))
}

// A reader who stopped reading makes the losses grow, not the events.
func TestQueueJoinsLossesOfABus(t *testing.T) {
	q := newQueue(4)
	q.put(frame(0))
	for range 1000 {
		q.tell(loss(0, 1))
		q.tell(loss(1, 2))
	}
	q.put(frame(1))
	q.tell(loss(0, 3))
	b := capture.NewBatch()
	require.NoError(t, q.next(t.Context(), b))
	require.Len(t, b.Frames, 2)
	require.Equal(t, []capture.Event{
		{Kind: capture.EventLoss, Bus: 0, Count: 1000, Index: 1},
		{Kind: capture.EventLoss, Bus: 1, Count: 2000, Index: 1},
		{Kind: capture.EventLoss, Bus: 0, Count: 3, Index: 2},
	}, b.Events)
}

func TestQueueWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := newQueue(4)
		b := capture.NewBatch()
		got := make(chan error, 1)
		go func() { got <- q.next(t.Context(), b) }()
		synctest.Wait() // it waits
		q.put(frame(1))
		q.signal()
		require.NoError(t, <-got)
		require.Len(t, b.Frames, 1)

		ctx, cancel := context.WithCancel(t.Context())
		go func() { got <- q.next(ctx, b) }()
		synctest.Wait()
		cancel()
		require.ErrorIs(t, <-got, context.Canceled)

		go func() { got <- q.next(t.Context(), b) }()
		synctest.Wait()
		q.end(io.EOF)
		require.ErrorIs(t, <-got, io.EOF)
	})
}

// Frames come out once and in order, and a loss stands exactly where it happened, while both sides
// work at once.
func TestQueueBetweenTwoGoroutines(t *testing.T) {
	const total = 50000
	q := newQueue(64)
	var work sync.WaitGroup
	work.Go(func() {
		for n := range total {
			if !q.put(frame(n)) {
				q.tell(loss(0, 1))
			}
			q.signal()
		}
		q.end(io.EOF)
	})
	b := capture.NewBatch()
	next := 0
	for {
		err := q.next(t.Context(), b)
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		events := b.Events
		for i := range len(b.Frames) + 1 {
			for len(events) > 0 && events[0].Index == i {
				next += int(events[0].Count)
				events = events[1:]
			}
			if i < len(b.Frames) {
				require.Equal(t, capture.ID(next), b.Frames[i].ID)
				next++
			}
		}
	}
	work.Wait()
	require.Equal(t, total, next)
}

func BenchmarkQueue(b *testing.B) {
	q := newQueue(ringFrames)
	f := frame(1)
	batch := capture.NewBatch()
	b.SetBytes(88)
	for n := range b.N {
		q.put(f)
		if n%capture.BatchFrames == capture.BatchFrames-1 {
			if err := q.next(context.Background(), batch); err != nil {
				b.Fatal(err)
			}
		}
	}
}
