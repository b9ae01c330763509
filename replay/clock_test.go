package replay

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

const start = capture.Stamp(1_772_442_000_000_000_000) // some moment of 2026

// passed runs do under a false clock and returns how much of it passed.
func passed(do func()) time.Duration {
	began := time.Now()
	do()
	return time.Since(began)
}

func TestSteeredWaitsAtItsSpeed(t *testing.T) {
	for name, c := range map[string]struct {
		speed float64
		way   time.Duration // of the session
		takes time.Duration // of the wall, by hand: way / speed
	}{
		"as it was":          {1, 40 * time.Second, 40 * time.Second},
		"four times":         {4, 40 * time.Second, 10 * time.Second},
		"slow motion":        {0.1, 3 * time.Second, 30 * time.Second},
		"a job in a minute":  {60, time.Hour, time.Minute},
		"too fast is capped": {5000, 1000 * time.Second, time.Second},
		"too slow is capped": {0.001, time.Second, 10 * time.Second},
		"waits for nothing":  {AsFastAsItGoes, 12 * time.Hour, 0},
		"negative":           {-3, time.Hour, 0},
		"not a number":       {math.NaN(), time.Hour, 0},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				clock := NewSteered(start, c.speed)
				takes := passed(func() { require.NoError(t, clock.Until(t.Context(), start.Add(c.way))) })
				require.InDelta(t, c.takes.Seconds(), takes.Seconds(), 1e-6)
				require.InDelta(t, c.way.Seconds(), clock.Now().Sub(start).Seconds(), 1e-6)
			})
		})
	}
}

// A thousand deadlines, each met late by what the work between them takes, end when the last is due.
func TestSteeredLatenessNeverAddsUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := NewSteered(start, 2)
		random := rand.New(rand.NewPCG(1, 2))
		took := passed(func() {
			for i := range 1000 {
				require.NoError(t, clock.Until(t.Context(), start.Add(time.Duration(i+1)*10*time.Millisecond)))
				time.Sleep(time.Duration(random.Int64N(4_900_000)))
			}
		})
		require.GreaterOrEqual(t, took, 5*time.Second)
		require.Less(t, took, 5*time.Second+5*time.Millisecond)
	})
}

func TestSteeredPause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := NewSteered(start, 1)
		time.Sleep(2 * time.Second)
		clock.Pause()
		require.True(t, clock.Paused())
		time.AfterFunc(time.Hour, clock.Resume)
		took := passed(func() { require.NoError(t, clock.Until(t.Context(), start.Add(5*time.Second))) })
		require.Equal(t, time.Hour+3*time.Second, took)
		require.Equal(t, start.Add(5*time.Second), clock.Now())
	})
}

// As fast as it goes still stands while it is paused.
func TestSteeredPauseStopsTheFastest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := NewSteered(start, AsFastAsItGoes)
		clock.Pause()
		time.AfterFunc(time.Minute, clock.Resume)
		require.Equal(t, time.Minute, passed(func() { require.NoError(t, clock.Until(t.Context(), start.Add(time.Hour))) }))
	})
}

func TestSteeredChangesOnTheWay(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Steered) // after 10 s of 100
		takes  time.Duration  // by hand
	}{
		"faster":           {func(c *Steered) { c.SetSpeed(9) }, 20 * time.Second},                       // 90 s at 9
		"slower":           {func(c *Steered) { c.SetSpeed(0.5) }, 190 * time.Second},                    // 90 s at 0.5
		"jump short of it": {func(c *Steered) { c.Jump(start.Add(95 * time.Second)) }, 15 * time.Second}, // 5 s left
		"jump past it":     {func(c *Steered) { c.Jump(start.Add(time.Hour)) }, 10 * time.Second},
		"jump back":        {func(c *Steered) { c.Jump(start) }, 110 * time.Second},
		"hurry to it":      {func(c *Steered) { c.Hurry(start.Add(100*time.Second), 3*time.Second) }, 13 * time.Second},
		"hurry half way":   {func(c *Steered) { c.Hurry(start.Add(60*time.Second), 3*time.Second) }, 53 * time.Second}, // 3 s, then 40 s
		"hurry back":       {func(c *Steered) { c.Hurry(start, 3*time.Second) }, 100 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				clock := NewSteered(start, 1)
				time.AfterFunc(10*time.Second, func() { c.change(clock) })
				took := passed(func() { require.NoError(t, clock.Until(t.Context(), start.Add(100*time.Second))) })
				require.InDelta(t, c.takes.Seconds(), took.Seconds(), 1e-6)
			})
		})
	}
}

func TestSteeredHurryPassesTheTimeBetween(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := NewSteered(start, 2)
		clock.Hurry(start.Add(12*time.Hour), 2*time.Second)
		time.Sleep(time.Second)
		require.InDelta(t, (6 * time.Hour).Seconds(), clock.Now().Sub(start).Seconds(), 1e-3)
		time.Sleep(4 * time.Second) // one to the end, three at speed 2
		require.InDelta(t, (12*time.Hour + 6*time.Second).Seconds(), clock.Now().Sub(start).Seconds(), 1e-3)
	})
}

func TestClocksEndWithTheirContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, prepare := range []func(*Steered){func(*Steered) {}, (*Steered).Pause} {
			clock := NewSteered(start, 1)
			prepare(clock)
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			require.ErrorIs(t, clock.Until(ctx, start.Add(time.Hour)), context.DeadlineExceeded)
			require.ErrorIs(t, clock.Until(ctx, start), context.DeadlineExceeded, "also when there is nothing to wait for")
			cancel()
		}
	})
}

// Stamps of a damaged file may lie further apart than a Duration holds.
func TestSteeredTakesAnyStamp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := NewSteered(math.MinInt64, Fastest)
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		require.ErrorIs(t, clock.Until(ctx, math.MaxInt64), context.DeadlineExceeded)
		clock.Jump(math.MaxInt64)
		require.NoError(t, clock.Until(t.Context(), math.MinInt64))
	})
}

func TestSteeredLateness(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := NewSteered(start, 4)
		require.NoError(t, clock.Until(t.Context(), start.Add(4*time.Second)))
		time.Sleep(3 * time.Second) // the position is 12 s further on, so this one is 2 s late
		require.NoError(t, clock.Until(t.Context(), start.Add(8*time.Second)))
		late := clock.Lateness()
		require.EqualValues(t, 2, late.Count)
		require.Equal(t, 2*time.Second, late.Max)
		clock.Jump(start.Add(time.Hour))
		require.NoError(t, clock.Until(t.Context(), start.Add(time.Minute)))
		require.EqualValues(t, 2, clock.Lateness().Count, "what a jump leaves behind is not late")
	})
}

// The wall's clock sleeps in the kernel, so no false time helps here: that it is never early can be
// asked of a real one.
func TestWallIsNeverEarly(t *testing.T) {
	defer Keen()()
	clock := NewWall(start)
	for i := range 20 {
		at := start.Add(time.Duration(i) * time.Millisecond)
		require.NoError(t, clock.Until(t.Context(), at))
		require.GreaterOrEqual(t, clock.Now(), at)
	}
	require.EqualValues(t, 20, clock.Lateness().Count)
	require.NoError(t, clock.Until(t.Context(), start.Add(-time.Hour)), "the past is reached")
	require.EqualValues(t, 20, clock.Lateness().Count, "and is not late")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, clock.Until(ctx, start.Add(time.Hour)), context.Canceled)
}

func TestFineSteeredIsNeverEarly(t *testing.T) {
	clock := NewFineSteered(start, 2)
	for i := range 10 {
		at := start.Add(time.Duration(i) * time.Millisecond)
		require.NoError(t, clock.Until(t.Context(), at))
		require.GreaterOrEqual(t, clock.Now(), at)
	}
}

// What the fine clock costs and how late it is: the figures of the developer notes.
func BenchmarkLateness(b *testing.B) {
	defer Keen()()
	clock := NewWall(start)
	for i := 0; b.Loop(); i++ {
		if err := clock.Until(b.Context(), start.Add(time.Duration(i)*time.Millisecond)); err != nil {
			b.Fatal(err)
		}
	}
	late := clock.Lateness()
	b.ReportMetric(float64(late.P50.Microseconds()), "p50-µs")
	b.ReportMetric(float64(late.P99.Microseconds()), "p99-µs")
	b.ReportMetric(float64(late.Max.Microseconds()), "max-µs")
}
