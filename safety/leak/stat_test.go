package leak

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	library "gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// The straight line against a general-purpose library.
func TestStraightAgainstLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-1e3, 1e3), 6, 6).Draw(t, "values")
		means, times := make([]point, 6), make([]float64, 6)
		for i, x := range xs {
			times[i] = float64(i)*50 + rapid.Float64Range(0, 20).Draw(t, "jitter")
			means[i] = point{times[i], x}
		}
		intercept, slope := library.LinearRegression(times, xs, nil, false)
		f := straight(means, 0)
		require.InDelta(t, slope, f.slope, 1e-9)
		require.InDelta(t, intercept+slope*f.at.t, f.at.x, 1e-7)
		require.InDelta(t, rootMeanSquare(times, xs, intercept, slope), f.se*spreadOf(times), 1e-7)
	})
}

// rootMeanSquare returns the scatter around a line with 4 degrees of freedom.
func rootMeanSquare(ts, xs []float64, a, b float64) float64 {
	sum := 0.0
	for i := range ts {
		sum += (xs[i] - a - b*ts[i]) * (xs[i] - a - b*ts[i])
	}
	return math.Sqrt(sum / 4)
}

func spreadOf(ts []float64) float64 {
	_, variance := library.MeanVariance(ts, nil)
	return math.Sqrt(variance * float64(len(ts)-1))
}

// A pressure that falls as e^(-t/tau), as it does behind a hole of fixed size, leaves no scatter
// around its bent line.
func TestDecayIsTakenOff(t *testing.T) {
	const tau, p0 = 20000.0, 500e3
	var means []point
	for i := range 6 {
		s := float64(i) * 150
		means = append(means, point{s, p0 * math.Exp(-s/tau)})
	}
	plain := straight(means, 0)
	bent := straight(means, plain.slope*plain.slope/plain.at.x)
	require.Less(t, bent.se, plain.se/20)
	require.InEpsilon(t, -plain.at.x/tau, bent.slope, 2e-3) // hand calculation: dp/dt = -p/tau
}

// The sums over neighbours and distances against what they stand for, added up one by one.
func TestSumsAgainstOneByOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 60).Draw(t, "n")
		a, b := rapid.Float64Range(-100, 100).Draw(t, "a"), rapid.Float64Range(-5, 5).Draw(t, "b")
		cut := rapid.IntRange(1, n-1).Draw(t, "cut")
		var lines [2]line
		var neighbours [2]pairs
		var before point
		squares, products := 0.0, 0.0
		rest := func(p point) float64 { return p.x - a - b*p.t }
		for i := range n {
			p := point{float64(i), rapid.Float64Range(-300, 300).Draw(t, "x")}
			half := 0
			if i >= cut {
				half = 1
			}
			lines[half].add(p)
			squares += rest(p) * rest(p)
			if i > 0 {
				neighbours[half].add(before, p)
				products += rest(before) * rest(p)
			}
			before = p
		}
		lines[0].merge(lines[1])
		neighbours[0].merge(neighbours[1])
		require.InDelta(t, squares, lines[0].squares(a, b), 1e-5)
		require.InDelta(t, products, neighbours[0].products(a, b), 1e-5)
		require.Equal(t, float64(n-1), neighbours[0].n)
	})
}

// The outlier rule against sorting and a median from a general-purpose library.
func TestOutlierRuleAgainstSorting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-1000, 1000), ringLeast, 3*ringSize).Draw(t, "values")
		q := rapid.Float64Range(0, 50).Draw(t, "step")
		v := rapid.Float64Range(-20000, 20000).Draw(t, "value")
		var r ring
		for _, x := range values {
			r.push(x)
		}
		kept := slices.Clone(values[max(0, len(values)-ringSize):])
		slices.Sort(kept)
		require.Equal(t, kept, r.sorted)

		median := kept[len(kept)/2]
		away := make([]float64, len(kept))
		for i, x := range kept {
			away[i] = math.Abs(x - median)
		}
		slices.Sort(away)
		mad := away[len(away)/2]
		require.Equal(t, math.Abs(v-median) > 6*(1.4826*mad+q), r.far(v, q))
	})
}

// Wherever sub-blocks are merged, the sums over all of them stay.
func TestMergingKeepsTheSums(t *testing.T) {
	w := New(Setup{Spring: car, StepPa: 100, SettleS: 1e-9})
	rng := seeded(3)
	sum, n, up, down, last := 0.0, 0, 0, 0, math.NaN()
	for i := range 20000 {
		v := 100 * float64(rng.IntN(5))
		w.Pressure(float64(i)/3, v)
		switch {
		case v > last:
			up++
		case v < last:
			down++
		}
		if i > 0 { // the first one is at the very start, before the settling is over
			sum, n = sum+v, n+1
		}
		last = v
	}
	all := (stretch{w: w, hi: len(w.blocks)}).part(0, 1)
	require.Equal(t, n, all.pressure.n)
	require.InDelta(t, sum, all.pressure.x+w.pressure.origin*float64(n), 1e-3)
	// The window's own first sample moves from nothing; whether it moved counts one at most.
	require.InDelta(t, up, all.pressure.up, 1)
	require.InDelta(t, down, all.pressure.down, 1)
	require.Equal(t, 3, all.pressure.levels.n)
	require.LessOrEqual(t, len(w.blocks), maxBlocks)
}

// Parts of a stretch are its sub-blocks, each once.
func TestPartsAreTheWhole(t *testing.T) {
	w := New(Setup{Spring: car, SettleS: 1e-9})
	for i := range 5000 {
		w.Pressure(float64(i), float64(i%11))
	}
	s := stretch{w: w, lo: 7, hi: len(w.blocks)}
	whole := s.part(0, 1)
	for n := 1; n <= 12; n++ {
		sum := 0
		for _, b := range s.parts(n) {
			sum += b.pressure.n
		}
		require.Equal(t, whole.pressure.n, sum)
	}
	require.Equal(t, whole.pressure.n, s.half(0).part(0, 1).pressure.n+s.half(1).part(0, 1).pressure.n)
}

func TestDither(t *testing.T) {
	for _, row := range []struct {
		name   string
		levels []float64
		want   bool
	}{
		{"to and fro over three levels", []float64{0, 1, 2, 1, 0, 1, 2, 1, 0, 1, 0}, true},
		{"to and fro over two levels", []float64{0, 1, 0, 1, 0, 1, 0, 1}, false},
		{"a staircase down", []float64{9, 8, 7, 6, 5, 4, 3}, false},
		{"flat", []float64{4, 4, 4, 4, 4, 4}, false},
	} {
		var k track
		var s stat
		for i, v := range row.levels {
			k.keep(&s, float64(i), v, k.learn(float64(i), v))
		}
		require.Equal(t, row.want, s.dithered(), row.name)
	}
}

func TestShortWindowsWiden(t *testing.T) {
	// By hand: r = e^(-1/20) is a time constant of 20 s; 300 s are 15 of them, 150 s half of that.
	r := math.Exp(-1.0 / 20)
	require.InDelta(t, 1, shortage(r, 300, 1), 1e-9)
	require.InDelta(t, 2, shortage(r, 150, 1), 1e-9)
	require.Equal(t, 1.0, shortage(r, 3000, 1))
	require.Equal(t, 1.0, shortage(-0.5, 10, 1))
	require.False(t, math.IsInf(shortage(1.2, 300, 1), 0))
}
