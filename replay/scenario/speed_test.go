package scenario

import (
	"context"
	"errors"
	"io"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

// dense is a job with a full network: 5000 frames a second in the background.
const dense = "version: 1\nlike: proper\ntraffic: {identifiers: 200, per_second: 5000}\n"

// BenchmarkProperJob runs the forty-minute job; `x real time` is the ratio that matters.
func BenchmarkProperJob(b *testing.B) {
	for _, c := range []struct{ name, text string }{
		{"300 frames a second", "version: 1\nlike: proper\n"},
		{"5000 frames a second", dense},
	} {
		b.Run(c.name, func(b *testing.B) {
			s, err := Load("bench.yaml", c.text)
			require.NoError(b, err)
			b.ReportAllocs()
			var simulated, frames float64
			for b.Loop() {
				r, err := s.Open(1)
				require.NoError(b, err)
				play(b, r, func(batch *capture.Batch) { frames += float64(len(batch.Frames)) })
				simulated += float64(r.at) / 1e9
			}
			b.ReportMetric(simulated/b.Elapsed().Seconds(), "x_real_time")
			b.ReportMetric(frames/b.Elapsed().Seconds(), "frames/s")
		})
	}
}

// A frame must cost no memory: only events do.
func TestNoAllocationPerFrame(t *testing.T) {
	s, err := Load("test.yaml", head+"traffic: {identifiers: 100, per_second: 2000}\nsteps:\n  - wait: 1 h\n")
	require.NoError(t, err)
	r, err := s.Open(1)
	require.NoError(t, err)
	batch := capture.NewBatch()
	require.NoError(t, r.Next(context.Background(), batch))
	// 20 batches are two and a half seconds; one report of the counters may fall into a measurement.
	perRound := testing.AllocsPerRun(20, func() {
		if err := r.Next(context.Background(), batch); err != nil && !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
	})
	require.Less(t, perRound, 1.0)
}

// The background must carry the load that was asked for.
func TestTrafficHasItsLoad(t *testing.T) {
	for _, c := range []struct {
		name                   string
		identifiers, perSecond string
		want                   float64
	}{
		{"none", "0", "0", 0},
		{"usual", "42", "220", 220},
		{"dense", "200", "5000", 5000},
		{"one identifier", "1", "10", 10},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := look(t, head+"traffic: {identifiers: "+c.identifiers+", per_second: "+c.perSecond+"}\nsteps:\n  - wait: 20 s\n")
			quiet := look(t, head+"steps:\n  - wait: 20 s\n")
			require.InEpsilon(t, 1+c.want, 1+float64(w.frames-quiet.frames)/20, 0.15)
		})
	}
}
