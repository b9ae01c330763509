package sag

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"
)

// stand feeds a corner that stands still at mm from one second to the other, 10 heights and 10
// pressures a second.
func stand(g *Gatherer, from, to, mm float64, rng *rand.Rand) {
	for s := from; s < to; s += 0.1 {
		g.Height(0, s, mm+0.2*rng.NormFloat64())
		g.Pressure(0, s, standPa+100*rng.NormFloat64())
		if math.Mod(s, 1) < 0.1 {
			g.Ambient(s, 293.15)
			g.Barometer(s, 101325)
		}
	}
}

func TestMomentOfQuietStanding(t *testing.T) {
	g, rng := NewGatherer(1, 500, 0.1), rand.New(rand.NewPCG(1, 1))
	stand(g, 0, 15, 5, rng)
	_, ok := g.Latest()
	require.False(t, ok, "15 s are too short")
	stand(g, 15, 30, 5, rng)
	m, ok := g.Latest()
	require.True(t, ok)
	require.InDelta(t, 5, m.Corners[0].HeightMM.Value, 0.05)
	require.InDelta(t, standPa, m.Corners[0].GaugePa.Value, 30)
	require.InDelta(t, 293.15, m.AmbientK.Value, 1e-9)
	require.InDelta(t, 101325, m.BarometerPa.Value, 1e-9)
	// By hand: 0.2 mm over 30 s/5 s = 6 looks is 0.08 mm; a step of 0.1 mm adds 0.03 mm.
	require.InDelta(t, math.Hypot(0.2/math.Sqrt(6), 0.1/math.Sqrt(12)), m.Corners[0].HeightMM.U, 0.02)
	first, ok := g.First()
	require.True(t, ok)
	require.Equal(t, m, first)
}

func TestMovementEndsAMoment(t *testing.T) {
	g, rng := NewGatherer(1, 500, 0.1), rand.New(rand.NewPCG(1, 1))
	stand(g, 0, 40, 0, rng)
	for s := 40.0; s < 60; s += 0.1 { // sinks 30 mm in 20 s
		g.Height(0, s, -1.5*(s-40))
		g.Pressure(0, s, standPa)
	}
	stand(g, 60, 100, -30, rng)
	before, ok := g.First()
	require.True(t, ok)
	after, ok := g.Latest()
	require.True(t, ok)
	require.InDelta(t, 0, before.Corners[0].HeightMM.Value, 0.2)
	require.InDelta(t, -30, after.Corners[0].HeightMM.Value, 0.2)
	require.Less(t, before.ToS, after.FromS)
}

func TestSlowMovementIsNotQuiet(t *testing.T) {
	g := NewGatherer(1, 500, 0.1)
	for s := 0.0; s < 120; s += 0.1 { // 0.1 mm/s, 2 mm in 20 s
		g.Height(0, s, -0.1*s)
		g.Pressure(0, s, standPa)
	}
	_, ok := g.First()
	require.False(t, ok)
}

func TestDisturbanceIsWaitedFor(t *testing.T) {
	g, rng := NewGatherer(1, 500, 0.1), rand.New(rand.NewPCG(1, 1))
	g.Disturb(0)
	stand(g, 0, 75, 0, rng)
	_, ok := g.Latest()
	require.False(t, ok, "60 s after a valve and 15 s of quiet")
	stand(g, 75, 85, 0, rng)
	m, ok := g.Latest()
	require.True(t, ok)
	require.GreaterOrEqual(t, m.FromS, 60.0)
}

func TestGapEndsAMoment(t *testing.T) {
	g, rng := NewGatherer(1, 500, 0.1), rand.New(rand.NewPCG(1, 1))
	stand(g, 0, 15, 0, rng)
	stand(g, 30000, 30015, 0, rng)
	_, ok := g.Latest()
	require.False(t, ok, "two times 15 s with a night between are no 30 s")
	stand(g, 30015, 30030, 0, rng)
	m, ok := g.Latest()
	require.True(t, ok)
	require.Equal(t, 30000.0, m.FromS)
}

func TestFewSamplesAreNoMeasurement(t *testing.T) {
	g := NewGatherer(2, 500, 0.1)
	for s := 0.0; s <= 30; s += 2 {
		g.Height(0, s, 1)
	}
	g.Height(1, 5, 1)
	g.Pressure(0, 5, standPa)
	m, ok := g.Latest()
	require.True(t, ok)
	require.True(t, m.Corners[0].HeightMM.Known)
	require.False(t, m.Corners[0].GaugePa.Known, "one pressure")
	require.False(t, m.Corners[1].HeightMM.Known, "one height")
}

func TestNonsenseIsLeftOut(t *testing.T) {
	g, rng := NewGatherer(1, 500, 0.1), rand.New(rand.NewPCG(1, 1))
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		g.Height(0, bad, 1)
		g.Height(0, 1, bad)
		g.Pressure(0, 1, bad)
		g.Ambient(1, bad)
		g.Ambient(bad, 293)
		g.Barometer(1, bad)
		g.Disturb(bad)
	}
	g.Height(-1, 1, 1)
	g.Height(7, 1, 1)
	g.Pressure(0, 1, -101325)
	g.Ambient(1, -5)
	stand(g, 1.5, 30, 2, rng)
	m, ok := g.Latest()
	require.True(t, ok)
	require.InDelta(t, 2, m.Corners[0].HeightMM.Value, 0.1)
	require.InDelta(t, 293.15, m.AmbientK.Value, 1e-9)
}

// From samples to causes: a night of cooling and a leak, as in the hand calculation of
// TestCoolingAndLeak.
func TestFromSamplesToCauses(t *testing.T) {
	g, rng := NewGatherer(1, 500, 0.1), rand.New(rand.NewPCG(2, 1))
	stand(g, 0, 60, 0, rng)
	for s := 36000.0; s < 36050; s += 0.1 {
		g.Height(0, s, -13.293+0.2*rng.NormFloat64())
		g.Pressure(0, s, standPa+100*rng.NormFloat64())
		g.Ambient(s, 281.15)
		g.Barometer(s, 101325)
	}
	before, _ := g.First()
	after, _ := g.Latest()
	c := Explain(before, after, overnight())[0]
	require.InDelta(t, 9.19, find(t, c, Cooling).MM, 0.1)
	require.InDelta(t, 4.10, find(t, c, Leak).MM, 0.3)
	adds(t, c)
}

func TestGatheringAllocatesNothing(t *testing.T) {
	g, s := NewGatherer(1, 500, 0.1), 0.0
	// Within one stretch: a moment is put together only when a stretch ends.
	require.Zero(t, testing.AllocsPerRun(200, func() {
		s += 0.1
		g.Height(0, s, 0)
		g.Pressure(0, s, standPa)
	}))
}

// The sums against a general-purpose library.
func TestTallyAgainstLibrary(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	var one, a, b tally
	var values []float64
	for i := range 500 {
		v := 500e3 + 10*rng.NormFloat64()
		values = append(values, v)
		one.add(float64(i), v)
		if i < 123 {
			a.add(float64(i), v)
		} else {
			b.add(float64(i), v)
		}
	}
	mean, variance := stat.MeanVariance(values, nil)
	a.merge(b)
	for _, got := range []tally{one, a} {
		require.InDelta(t, mean, got.mean, 1e-6)
		require.InEpsilon(t, variance, got.rest/float64(got.n-1), 1e-9)
		require.Zero(t, got.first)
	}
	var empty tally
	empty.merge(one)
	require.Equal(t, one, empty)
}

func TestOneCornerThatMovesEndsAll(t *testing.T) {
	g := NewGatherer(2, 500, 0.1)
	for s := 0.0; s < 18; s += 0.1 {
		g.Height(0, s, 0)
		g.Height(1, s, 0)
	}
	g.Height(1, 18.1, -8)
	for s := 18.2; s < 30; s += 0.1 {
		g.Height(0, s, 0)
		g.Height(1, s, -8)
	}
	_, ok := g.Latest()
	require.False(t, ok, "neither side of the movement has 20 s")
}

// A long rest is many moments; the first and the last are kept.
func TestLongRest(t *testing.T) {
	g, rng := NewGatherer(1, 500, 0.1), rand.New(rand.NewPCG(1, 1))
	stand(g, 0, 600, 3, rng)
	first, ok := g.First()
	require.True(t, ok)
	last, ok := g.Latest()
	require.True(t, ok)
	require.Zero(t, first.FromS)
	require.InDelta(t, 60, first.ToS, 1)
	require.Greater(t, last.FromS, 500.0)
}
