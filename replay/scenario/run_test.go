package scenario

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"hash"
	"io"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

// play runs a source to its end and hands every batch on.
func play(t testing.TB, r *Run, see func(*capture.Batch)) {
	t.Helper()
	batch := capture.NewBatch()
	for {
		err := r.Next(context.Background(), batch)
		if errors.Is(err, io.EOF) {
			return
		}
		require.NoError(t, err)
		see(batch)
	}
}

// open opens a built-in scenario.
func open(t testing.TB, name string, seed uint64) *Run {
	t.Helper()
	s, err := Builtin(name)
	require.NoError(t, err)
	r, err := s.Open(seed)
	require.NoError(t, err)
	return r
}

// digest adds a batch to a hash: every field of every frame and event, in their order among each
// other.
func digest(h hash.Hash, b *capture.Batch) {
	events := b.Events
	for i := range b.Frames {
		events = digestEvents(h, events, i)
		f := &b.Frames[i]
		_ = binary.Write(h, binary.BigEndian, f)
	}
	digestEvents(h, events, len(b.Frames))
}

func digestEvents(h hash.Hash, events []capture.Event, upTo int) []capture.Event {
	for len(events) > 0 && events[0].Index <= upTo {
		e := events[0]
		e.Index = 0
		text, _ := json.Marshal(e)
		h.Write(text)
		events = events[1:]
	}
	return events
}

func digestOf(t testing.TB, r *Run) string {
	h := sha256.New()
	play(t, r, func(b *capture.Batch) { digest(h, b) })
	return hex.EncodeToString(h.Sum(nil))
}

func TestSameSeedSameBytes(t *testing.T) {
	first := digestOf(t, open(t, "early", 7))
	require.Equal(t, first, digestOf(t, open(t, "early", 7)))
	require.NotEqual(t, first, digestOf(t, open(t, "early", 8)))
}
