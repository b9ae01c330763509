package sourcetest_test

import (
	"context"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/sourcetest"
)

// frames returns n frames of one bus, a millisecond apart.
func frames(n int) []capture.Frame {
	all := make([]capture.Frame, n)
	for i := range all {
		all[i] = capture.Frame{At: capture.Stamp(1_772_442_845_000_000_000 + i*1_000_000), Packet: uint64(i + 1),
			ID: 0x4A1, Len: 2, Data: [capture.MaxData]byte{byte(i), byte(i >> 8)}, Flags: capture.Inbound}
	}
	return all
}

func TestSliceKeepsThePromises(t *testing.T) {
	mark := []byte(`{"kind":"mark","name":"jack"}`)
	for name, n := range map[string]int{"one frame": 1, "one batch": capture.BatchFrames, "several batches": 3*capture.BatchFrames + 7} {
		t.Run(name, func(t *testing.T) {
			sourcetest.Run(t, func(*testing.T) capture.Source {
				return &capture.Slice{Frames: frames(n), Events: []capture.Event{
					{Kind: capture.EventBus, Name: "can0"},
					{Kind: capture.EventJournal, Record: 1, Name: "mark", Body: mark, Index: n / 2},
					{Kind: capture.EventLoss, Count: 3, Index: n / 2},
					{Kind: capture.EventCounters, Received: int64(n), Dropped: 3, Index: n},
				}}
			})
		})
	}
}

// A source that still has something after the batches it was asked for stands in for a bus.
func TestSliceAsLiveSource(t *testing.T) {
	sourcetest.RunLive(t, &capture.Slice{Frames: frames(5 * capture.BatchFrames), Events: []capture.Event{{Kind: capture.EventBus, Name: "can0"}}}, 3)
}

// broken breaks one promise at a time; the suite must notice each. It runs in a test of its own, whose
// failure is looked for.
type broken struct {
	capture.Slice
	spoil func(*capture.Batch)
}

func (b *broken) Next(ctx context.Context, into *capture.Batch) error {
	err := b.Slice.Next(ctx, into)
	b.spoil(into)
	return err
}

// failures counts what a check would have failed with.
type failures struct {
	testing.TB
	failed bool
}

func (f *failures) Helper()               {}
func (f *failures) Errorf(string, ...any) { f.failed = true }
func (f *failures) FailNow()              { f.failed = true; runtime.Goexit() }

func TestBrokenPromisesAreNoticed(t *testing.T) {
	for name, spoil := range map[string]func(*capture.Batch){
		"an event outside its batch": func(b *capture.Batch) {
			b.Events = append(b.Events, capture.Event{Kind: capture.EventLoss, Count: 1, Index: len(b.Frames) + 1})
		},
		"events out of order": func(b *capture.Batch) {
			b.Events = append(b.Events, capture.Event{Kind: capture.EventLoss, Count: 1, Index: len(b.Frames)}, capture.Event{Kind: capture.EventLoss, Count: 1})
		},
		"more frames than room": func(b *capture.Batch) { b.Frames = append(b.Frames, make([]capture.Frame, capture.BatchFrames)...) },
		"leftovers behind the data": func(b *capture.Batch) {
			for i := range b.Frames {
				b.Frames[i].Data[9] = 1
			}
		},
		"a bus beyond the last": func(b *capture.Batch) {
			for i := range b.Frames {
				b.Frames[i].Bus = capture.MaxBuses
			}
		},
		"nothing, and no error": func(b *capture.Batch) { b.Reset() },
	} {
		t.Run(name, func(t *testing.T) {
			source := &broken{Slice: capture.Slice{Frames: frames(10), Events: []capture.Event{{Kind: capture.EventBus, Name: "can0"}}}, spoil: spoil}
			require.True(t, fails(t, func(t testing.TB) { sourcetest.Read(t, source, capture.BatchFrames) }))
		})
	}
}

// fails runs a check in a goroutine of its own, as FailNow demands, and reports whether it failed.
func fails(t *testing.T, check func(testing.TB)) bool {
	f := &failures{TB: t}
	done := make(chan struct{})
	go func() {
		defer close(done)
		check(f)
	}()
	<-done
	return f.failed
}
