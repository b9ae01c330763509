package sourcetest_test

import (
	"testing"

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
