package leak

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// warmth feeds a temperature every 10 s from one time to the other.
func warmth(a *ambient, from, to float64, kelvin func(float64) float64) {
	for s := from; s <= to; s += 10 {
		a.add(s, kelvin(s))
	}
}

func TestDriftByTheTemperatureAround(t *testing.T) {
	ramp := func(perHour float64) func(float64) float64 {
		return func(s float64) float64 { return 290 + perHour*s/3600 }
	}
	for _, row := range []struct {
		name       string
		from       float64 // window from 0 to 900
		kelvin     func(float64) float64
		warm, cool float64
	}{
		{"steady for 40 min", -2400, steady(290), 1, 1},
		{"steady for 15 min only", 0, steady(290), 2, 2},
		// By hand: within 1.25 K over 75 min a wall that lags by 20 min moves by at most 3.75 K/h.
		{"1 K/h for an hour and a quarter", -3600, ramp(1), 3.75, 3.75},
		// By hand: a range of 5 K turns the slope of 15 min by at most 1.5 x 5/0.25 = 30 K/h.
		{"4 K/h for an hour and a quarter", -3600, ramp(4), 30, 30},
	} {
		t.Run(row.name, func(t *testing.T) {
			var a ambient
			warmth(&a, row.from, -10, row.kelvin)
			a.restart(0)
			warmth(&a, 0, 900, row.kelvin)
			d := a.drift(900, 900, Conditions{})
			require.InDelta(t, row.warm, d.warm, 0.05*row.warm)
			require.InDelta(t, row.cool, d.cool, 0.05*row.cool)
			require.True(t, d.recorded)
		})
	}
}

func TestTemperatureThatFellSilent(t *testing.T) {
	var a ambient
	warmth(&a, 0, 3000, steady(290))
	require.True(t, a.drift(3100, 900, Conditions{}).recorded)
	d := a.drift(5000, 900, Conditions{})
	require.False(t, d.recorded)
	require.Equal(t, driftUnknown, d.warm)
	require.Equal(t, driftCooling, d.cool)
}

func TestChangeBeforeTheWindowCounts(t *testing.T) {
	// In from the cold an hour and a half before the check; since then the ambient is steady.
	var a ambient
	warmth(&a, -7000, -5400, steady(268))
	warmth(&a, -5390, -10, steady(288))
	a.restart(0)
	warmth(&a, 0, 900, steady(288))
	require.Greater(t, a.drift(900, 900, Conditions{}).warm, 20.0)

	// Three hours before it does not.
	var b ambient
	warmth(&b, -20000, -11000, steady(268))
	warmth(&b, -10990, -10, steady(288))
	b.restart(0)
	warmth(&b, 0, 900, steady(288))
	require.Equal(t, driftSteady, b.drift(900, 900, Conditions{}).warm)
}

func TestWallLags(t *testing.T) {
	var a ambient
	a.add(0, 290)
	for s := 10.0; s <= 1800; s += 10 {
		a.add(s, 300)
	}
	// Hand calculation: after one time constant 1 - 1/e of the step is taken.
	require.InDelta(t, 290+10*(1-math.Exp(-1)), a.wallK, 0.02)
}

func TestTemperaturesThatCantBe(t *testing.T) {
	var a ambient
	for _, bad := range [][2]float64{{math.NaN(), 290}, {0, math.NaN()}, {0, 20}, {0, 4000}, {math.Inf(1), 290}} {
		require.False(t, a.add(bad[0], bad[1]))
	}
	require.False(t, a.seen)
	require.True(t, a.add(5, 290))
	require.False(t, a.add(4, 290), "back in time")
	a.restart(-100)
	require.False(t, a.seen, "a clock that stepped back begins anew")
}

func TestCommonTrendWidens(t *testing.T) {
	const kelvin = 293.15
	perS := func(kPerH float64) float64 { return kPerH / 3600 / kelvin }
	base := drift{warm: 1, cool: 1}
	for _, row := range []struct {
		name       string
		others     []Trend
		warm, cool float64
	}{
		{"none", nil, 1, 1},
		{"not settled", []Trend{{PerS: perS(-5), Half: perS(0.1)}}, 1, 1},
		// By hand: the one that falls least falls by 4 - 0.5 K/h for sure.
		{"both fall", []Trend{{PerS: perS(-4), Half: perS(0.5), Settled: true}, {PerS: perS(-9), Half: perS(0.5), Settled: true}}, 1, 4.5},
		{"one falls", []Trend{{PerS: perS(-9), Half: perS(0.5), Settled: true}, {PerS: 0, Half: perS(0.5), Settled: true}}, 1, 1},
		{"they fall faster than air cools", []Trend{{PerS: perS(-40), Half: perS(0.5), Settled: true}}, 1, 1},
		// By hand: 6 K/h for certain within 0.5, and 0.5 between two corners.
		{"one rises", []Trend{{PerS: perS(6), Half: perS(0.5), Settled: true}}, 7, 1},
		{"no number", []Trend{{PerS: math.NaN(), Half: 1, Settled: true}, {PerS: 1, Half: math.Inf(1), Settled: true}}, 1, 1},
	} {
		d := base.common(row.others, kelvin)
		require.InDelta(t, row.warm, d.warm, 1e-9, row.name)
		require.InDelta(t, row.cool, d.cool, 1e-9, row.name)
	}
}
