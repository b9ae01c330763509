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

func valid(at time.Duration, value float64) Sample {
	return Sample{At: capture.Stamp(at), Packet: uint64(at), Value: value, Status: StatusValid}
}

func TestBucketsKeepWhatThereIs(t *testing.T) {
	var b Buckets
	require.Empty(t, b.All())
	b.Add(valid(0, 5))
	b.Add(valid(100, 7))
	b.Add(valid(200, 6))
	b.Add(Sample{At: 300, Status: StatusInvalid, Value: 99})
	b.Add(valid(time.Second, 4))
	point := func(at time.Duration, value float64) Point { return Point{capture.Stamp(at), uint64(at), value} }
	require.Equal(t, []Bucket{
		{From: 0, To: 300, First: point(0, 5), Last: point(200, 6), Least: point(0, 5), Greatest: point(100, 7), Sum: 18, Count: 3, Bad: 1},
		{From: 1e9, To: 1e9, First: point(time.Second, 4), Last: point(time.Second, 4), Least: point(time.Second, 4), Greatest: point(time.Second, 4), Sum: 4, Count: 1},
	}, b.All())
}

// The spike is one sample of a signal of 24 hours at 50 Hz: it must survive every merge, with its packet.
func TestBucketsKeepLeastAndGreatestOfALongSession(t *testing.T) {
	var b Buckets
	const n = 24 * 3600 * 50
	for i := range n {
		value := 5.0
		switch i {
		case 1_234_567:
			value = 11
		case 2_345_678:
			value = 0.1
		}
		b.Add(valid(time.Duration(i)*20*time.Millisecond, value))
	}
	all := b.All()
	require.LessOrEqual(t, len(all), MaxBuckets)
	require.Greater(t, len(all), MaxBuckets/4, "fine enough to draw")
	var count uint64
	least, greatest := all[0].Least, all[0].Greatest
	for _, k := range all {
		count += k.Count
		require.False(t, k.Gap || k.Torn)
		if k.Least.Value < least.Value {
			least = k.Least
		}
		if k.Greatest.Value > greatest.Value {
			greatest = k.Greatest
		}
	}
	require.EqualValues(t, n, count)
	require.Equal(t, Point{At: 1_234_567 * 20e6, Packet: 1_234_567 * 20e6, Value: 11}, greatest)
	require.Equal(t, Point{At: 2_345_678 * 20e6, Packet: 2_345_678 * 20e6, Value: 0.1}, least)
}

func TestBucketsNeverJoinAcrossAGap(t *testing.T) {
	var b Buckets
	var at time.Duration
	for range 40 { // 40 stretches of 10 minutes at 10 Hz, 3 s of silence between them
		for range 6000 {
			at += 100 * time.Millisecond
			b.Add(valid(at, 1))
		}
		at += 3 * time.Second
	}
	gaps := 0
	for i, k := range b.All() {
		require.False(t, k.Torn)
		if k.Gap {
			gaps++
			require.Greater(t, k.From.Sub(b.All()[i-1].To), 3*time.Second)
		}
		require.Less(t, k.To.Sub(k.From), 10*time.Minute)
	}
	require.Equal(t, 39, gaps)
}

func TestBucketsSayWhenGapsAreTooMany(t *testing.T) {
	var b Buckets
	for i := range 100_000 { // every sample stands alone
		b.Add(valid(time.Duration(i)*11*time.Second, float64(i)))
	}
	var count uint64
	torn := 0
	for _, k := range b.All() {
		count += k.Count
		if k.Torn {
			torn++
		}
		require.Equal(t, k.Count > 1, k.Torn, "more than one sample in it is a gap in it")
	}
	require.LessOrEqual(t, len(b.All()), MaxBuckets)
	require.EqualValues(t, 100_000, count)
	require.Positive(t, torn)
}

// TestTornStaysTorn goes on densely after too many gaps: merging what is whole must not hide a gap
// that a bucket already holds.
func TestTornStaysTorn(t *testing.T) {
	var b Buckets
	var gaps []capture.Stamp // of the samples before them
	var at time.Duration
	for range 5000 {
		b.Add(valid(at, 1))
		gaps = append(gaps, capture.Stamp(at))
		at += 11 * time.Second
	}
	for range 500_000 {
		b.Add(valid(at, 1))
		at += 500 * time.Millisecond
	}
	torn := 0
	for _, k := range b.All() {
		holds := slices.ContainsFunc(gaps, func(g capture.Stamp) bool { return k.From <= g && g < k.To })
		require.Equal(t, holds, k.Torn, "from %s to %s", k.From, k.To)
		if k.Torn {
			torn++
		}
	}
	require.Positive(t, torn)
	require.Less(t, torn, len(b.All()))
}

func TestBadSamplesBridgeNoGap(t *testing.T) {
	var b Buckets
	for i := range 10 {
		b.Add(valid(time.Duration(i)*100*time.Millisecond, 1))
	}
	for i := range 30 { // 3 s of 'not available'
		b.Add(Sample{At: capture.Stamp(time.Second + time.Duration(i)*100*time.Millisecond), Status: StatusInvalid})
	}
	b.Add(valid(4*time.Second, 1))
	last := b.All()[len(b.All())-1]
	require.True(t, last.Gap)
	require.EqualValues(t, 1, last.Count)
	for _, k := range b.All()[:len(b.All())-1] {
		require.False(t, k.Gap, "the gap ends where a value comes again")
	}
	require.Zero(t, b.All()[len(b.All())-2].Count)
	require.EqualValues(t, 1, b.All()[len(b.All())-2].Bad)
}

func TestTimeThatStepsBackIsAGap(t *testing.T) {
	var b Buckets
	b.Add(valid(time.Minute, 1))
	b.Add(valid(time.Second, 2))
	require.Len(t, b.All(), 2)
	require.True(t, b.All()[1].Gap)
}

// TestBucketsLoseNothing feeds any course and compares with a Tally and with counting.
func TestBucketsLoseNothing(t *testing.T) {
	statuses := []Status{StatusValid, StatusValid, StatusValid, StatusInvalid, StatusMissing, StatusOutOfRange}
	rapid.Check(t, func(t *rapid.T) {
		var b Buckets
		var whole Tally
		at := capture.Stamp(rapid.Int64().Draw(t, "start"))
		seed := rapid.Uint64().Draw(t, "seed")
		spread := rapid.IntRange(10, 40).Draw(t, "spread")
		var bad uint64
		for i := range 3000 {
			seed = seed*6364136223846793005 + 1442695040888963407 // Knuth's MMIX generator: cheap, and shrinks with its seed
			at += capture.Stamp(seed >> 20 & (1<<spread - 1))     // wraps at the end of time, as a step back
			s := Sample{At: at, Packet: uint64(i + 1), Value: float64(seed >> 40), Status: statuses[seed>>32%uint64(len(statuses))]}
			b.Add(s)
			whole.Add(s)
			if s.Status != StatusValid {
				bad++
			}
		}
		require.LessOrEqual(t, len(b.All()), MaxBuckets)
		require.False(t, b.All()[0].Gap)
		joined, gaps := b.All()[0], 0
		for i := range b.All()[1:] {
			k := b.All()[i+1]
			if k.Gap {
				gaps++
			}
			joined.join(&k)
		}
		require.Equal(t, gaps, b.gaps)
		require.Equal(t, whole.Valid, joined.Count)
		require.Equal(t, bad, joined.Bad)
		require.Equal(t, []Point{whole.First, whole.Last, whole.Least, whole.Greatest},
			[]Point{joined.First, joined.Last, joined.Least, joined.Greatest})
	})
}

func TestTally(t *testing.T) {
	var y Tally
	require.Zero(t, y.Count())
	for i, s := range []Status{StatusMissing, StatusValid, StatusInvalid, StatusValid, StatusOutOfRange, StatusValid, StatusStale, StatusValid, StatusMissing, StatusValid} {
		y.Add(Sample{At: capture.Stamp(i) * 1e9, Packet: uint64(i), Value: []float64{-50, 4, -99, 2, 900, 7, 0, 7, 0, 2}[i], Status: s})
	}
	require.EqualValues(t, 10, y.Count())
	require.Equal(t, [5]uint64{5, 1, 1, 1, 2}, [5]uint64{y.Valid, y.OutOfRange, y.Invalid, y.Stale, y.Missing})
	require.Equal(t, Point{1e9, 1, 4}, y.First)
	require.Equal(t, Point{9e9, 9, 2}, y.Last)
	require.Equal(t, Point{3e9, 3, 2}, y.Least, "the earlier of two equal ones")
	require.Equal(t, Point{5e9, 5, 7}, y.Greatest, "the earlier of two equal ones")
	require.Equal(t, 2*time.Second, y.Rhythm.Period(), "between valid samples")
}

func TestBucketsAtTheEndsOfTime(t *testing.T) {
	var b Buckets
	for i := range 5000 {
		at := capture.Stamp(math.MinInt64)
		if i%2 == 1 {
			at = math.MaxInt64
		}
		b.Add(Sample{At: at, Status: StatusValid})
	}
	require.LessOrEqual(t, len(b.All()), MaxBuckets)
}
