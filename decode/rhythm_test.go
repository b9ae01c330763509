package decode

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
)

// every makes a rhythm of n samples, one each period.
func every(period time.Duration, n int) *Rhythm {
	var r Rhythm
	for i := range n {
		r.Add(capture.Stamp(period) * capture.Stamp(i))
	}
	return &r
}

// Limits by the rule: three periods, at least 1 s, at most 10 s.
func TestHazard07FreshnessFollowsTheSignalsOwnRhythm(t *testing.T) {
	for _, c := range []struct {
		period, limit time.Duration
	}{
		{10 * time.Millisecond, time.Second},
		{333 * time.Millisecond, time.Second},
		{500 * time.Millisecond, 1500 * time.Millisecond},
		{time.Second, 3 * time.Second},
		{3 * time.Second, 9 * time.Second},
		{4 * time.Second, 10 * time.Second},
		{time.Hour, 10 * time.Second},
	} {
		r := every(c.period, 30)
		last := capture.Stamp(29 * c.period)
		require.Equal(t, c.period, r.Period(), c.period)
		require.Equal(t, c.limit, r.Limit(), c.period)
		require.Equal(t, c.limit, r.Gap(), c.period)
		require.True(t, r.Fresh(last.Add(c.limit)), c.period)
		require.False(t, r.Fresh(last.Add(c.limit+1)), c.period)
		require.True(t, r.Fresh(last.Add(-c.limit)), c.period)
		require.False(t, r.Fresh(last.Add(-c.limit-1)), "%s: that far ahead is no age", c.period)
	}
}

func TestRhythmThatIsNotKnown(t *testing.T) {
	var none Rhythm
	require.False(t, none.Fresh(0), "nothing was heard")
	require.Zero(t, none.Period())
	for n := 1; n <= 3; n++ {
		r := every(time.Second, n)
		require.Equal(t, 10*time.Second, r.Gap(), "%d samples: a slow signal's first gaps are no gaps in the data", n)
	}
	one := every(time.Second, 1)
	require.True(t, one.Fresh(capture.Stamp(time.Second)))
	require.False(t, one.Fresh(capture.Stamp(time.Second+1)), "heard once, nobody knows for how long it holds")
}

func TestRhythmForgetsOldGapsAndOneLongOne(t *testing.T) {
	r := every(5*time.Second, 100)
	at := capture.Stamp(99 * 5 * time.Second)
	for range 20 {
		at = at.Add(100 * time.Millisecond)
		r.Add(at)
	}
	require.Equal(t, 100*time.Millisecond, r.Period(), "the last 20 gaps count")
	r.Add(at.Add(time.Hour))
	require.Equal(t, 100*time.Millisecond, r.Period(), "one gap does not move a median")
}

func TestRhythmWhenTimeStepsBack(t *testing.T) {
	r := every(100*time.Millisecond, 30)
	r.Add(0)
	require.Equal(t, 100*time.Millisecond, r.Period())
	require.True(t, r.Fresh(0))
	require.False(t, r.Fresh(capture.Stamp(2900*time.Millisecond)), "age counts from the sample that came last")
	r.Add(0)
	require.Equal(t, 100*time.Millisecond, r.Period(), "the same stamp twice is no gap")
}

func TestRhythmAtTheEndsOfTime(t *testing.T) {
	var r Rhythm
	for range 30 {
		r.Add(math.MinInt64)
		r.Add(math.MaxInt64)
	}
	require.Equal(t, longestGap, r.Period())
	require.Equal(t, 10*time.Second, r.Limit())
	require.False(t, r.Fresh(math.MinInt64))
}

// TestRhythmIsTheMedian compares the running median with sorting.
func TestRhythmIsTheMedian(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gaps := rapid.SliceOfN(rapid.Int64Range(1, 1e10), 1, 60).Draw(t, "gaps")
		var r Rhythm
		var at capture.Stamp
		r.Add(at)
		for i := range gaps {
			at = at.Add(time.Duration(gaps[i]))
			r.Add(at)
			last := slices.Clone(gaps[max(0, i-19) : i+1])
			slices.Sort(last)
			n := len(last)
			require.Equal(t, time.Duration(last[(n-1)/2]+last[n/2])/2, r.Period())
		}
	})
}
