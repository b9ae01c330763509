package airspring_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/safety/airspring"
)

// The invented spring of a passenger car: 2.2 L at design height, 98 cm2.
var car = airspring.Spring{VolumeM3: 2.2e-3, AreaM2: 98e-4, MotionRatio: 1, MotionKnown: true}

const ambient = 101325.0

// near holds a value to one part in a thousand.
func near(t *testing.T, want, got float64) {
	t.Helper()
	require.InEpsilon(t, want, got, 1e-3)
}

func TestDensityOfAir(t *testing.T) {
	for _, row := range []struct {
		name                string
		pa, kelvin, kgPerM3 float64
	}{
		{"sea level of ISO 2533", 101325, 288.15, 1.225},
		{"0 degC, handbooks", 101325, 273.15, 1.293},
	} {
		kg, ok := airspring.Mass(row.pa, 1, row.kelvin)
		require.True(t, ok)
		near(t, row.kgPerM3, kg)
	}
}

func TestMassOfASpring(t *testing.T) {
	// Hand calculation: 570 713 Pa x 2.2 L / (287.053 J/(kg K) x 293.15 K) = 14.9207 g.
	kg, ok := car.MassAt(570713, 0, 293.15)
	require.True(t, ok)
	near(t, 14.9207e-3, kg)

	// Hand calculation: at 80 mm droop 2.2 L + 98 cm2 x 8 cm = 2.984 L; the same air has 420 767 Pa.
	m3, ok := car.VolumeAt(80)
	require.True(t, ok)
	near(t, 2.984e-3, m3)
	pa, ok := airspring.Compress(570713, 2.2e-3, m3, 1)
	require.True(t, ok)
	near(t, 420767, pa)
}

func TestMotionRatio(t *testing.T) {
	inboard := airspring.Spring{VolumeM3: 2.2e-3, AreaM2: 140e-4, MotionRatio: 0.7, MotionKnown: true}
	area, ok := inboard.HeightArea()
	require.True(t, ok)
	near(t, 98e-4, area) // hand calculation: 0.7 x 140 cm2

	inboard.MotionKnown = false
	area, _ = inboard.HeightArea()
	near(t, 140e-4, area)

	inboard.MotionKnown, inboard.MotionRatio = true, 0
	_, ok = inboard.HeightArea()
	require.False(t, ok)
}

func TestCrushedEmptyBellows(t *testing.T) {
	// Hand calculation: from +90 to -80 mm, 3.082 L to 1.416 L, ratio 2.17655; gauge 1.192 bar slow,
	// 1.997 bar fast.
	pa, ok := car.Closed(ambient, 90, -80)
	require.True(t, ok)
	near(t, 119207, pa.Value-ambient)
	near(t, 119207, pa.Low-ambient)
	near(t, 199693, pa.High-ambient)

	rise, ok := car.Rise(ambient, 90, -80)
	require.True(t, ok)
	near(t, 119207, rise)

	opening, ok := car.Closed(220532, -80, 90)
	require.True(t, ok)
	near(t, ambient, opening.Value)
	require.Less(t, opening.Low, opening.Value, "opening fast cools below the slow end")

	// 1 bar at -200 mm would need less than no volume.
	_, ok = car.Closed(ambient, 90, -300)
	require.False(t, ok)
}

func TestExponent(t *testing.T) {
	const v0, v1 = 3.082e-3, 1.416e-3
	for _, row := range []struct {
		name   string
		p0, p1 float64
		n      float64
		says   airspring.Tightness
	}{
		// Hand calculation: ln(p1/p0)/0.77774.
		{"slow, closed", ambient, 220532, 1.0, airspring.StayedClosed},
		{"fast, closed", ambient, 301018, 1.4, airspring.StayedClosed},
		{"ten seconds, closed (integrated with a gas-to-wall time of 15 s)", ambient, 280825, 1.311, airspring.StayedClosed},
		{"filled meanwhile", ambient, 500000, 2.052, airspring.AirCameIn},
		{"open line", ambient, 110000, 0.1057, airspring.AirWentOut},
	} {
		e, ok := airspring.ExponentOf(row.p0, row.p1, v0, v1, 500)
		require.True(t, ok, row.name)
		require.InDelta(t, row.n, e.N, 2e-3, row.name)
		require.Equal(t, row.says, e.Says, row.name)
	}

	coarse, ok := airspring.ExponentOf(ambient, 220532, v0, v1, 30e3)
	require.True(t, ok)
	require.Equal(t, airspring.ExponentUnclear, coarse.Says, "30 kPa of uncertainty prove nothing")

	_, ok = airspring.ExponentOf(ambient, 120000, 3.082e-3, 2.8e-3, 500)
	require.False(t, ok, "too little travel")
	_, ok = airspring.ExponentOf(ambient, math.NaN(), v0, v1, 500)
	require.False(t, ok)
	_, ok = airspring.ExponentOf(ambient, 220532, v0, v1, -1)
	require.False(t, ok)
}

func TestWhereTheBodyRests(t *testing.T) {
	// Hand calculation: 1.00 bar gauge hanging at +80 mm under 4600 N (4.694 bar gauge on 98 cm2):
	// V = 2.01325 x 2.984/5.70713 = 1.0526 L, h = (1.0526 - 2.2) L/98 cm2 = -117 mm.
	mm, ok := car.RestAt(100e3, 80, 469388, ambient)
	require.True(t, ok)
	require.InDelta(t, -117, mm.Value, 0.2)
	require.Less(t, mm.Low, -140.0)
	require.Greater(t, mm.High, -100.0)

	// With the air it stood with it comes back to design height.
	mm, ok = car.RestAt(319442, 80, 469388, ambient)
	require.True(t, ok)
	require.InDelta(t, 0, mm.Value, 0.1)

	// Hand calculation: to stay off a stop at -70 mm it needs 5.70713 x (2.2 - 0.686)/2.984 - 1.01325
	// = 1.882 bar gauge.
	pa, ok := car.NeedsHanging(-70, 80, 469388, ambient)
	require.True(t, ok)
	near(t, 188236, pa)

	for name, bad := range map[string][2]float64{"vacuum": {-1, 469388}, "no load": {100e3, 0}, "not a number": {math.NaN(), 469388}} {
		_, ok = car.RestAt(bad[0], 80, bad[1], ambient)
		require.False(t, ok, name)
	}
	_, ok = airspring.Spring{}.RestAt(100e3, 80, 469388, ambient)
	require.False(t, ok, "nothing known of the spring")
}

func TestUnitsOfALeak(t *testing.T) {
	// ISO 8778 with the density that ISO 6358 uses, 1.185 kg/m3: exact.
	near(t, 1.975e-8, airspring.FromMlMin(1))
	near(t, 0.0711/3.6e6, airspring.FromMlMin(1)) // g/h
	// Hand calculation: 1/(287.05287 x 293.15) = 1.18836e-5 kg/s = 601.70 ml/min.
	near(t, 1.18836e-5, airspring.FromPaM3PerS(1))
	require.InDelta(t, 601.70, airspring.MlMin(airspring.FromPaM3PerS(1)), 0.01)
	require.InDelta(t, 1.66195e-3, airspring.PaM3PerS(airspring.FromMlMin(1)), 1e-8)
}

func TestUnitsThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "ml/min")
		require.InDelta(t, v, airspring.MlMin(airspring.FromMlMin(v)), 1e-9*math.Abs(v)+1e-300)
		require.InDelta(t, v, airspring.PaM3PerS(airspring.FromPaM3PerS(v)), 1e-9*math.Abs(v)+1e-300)
	})
}

func TestLeakAtAnotherPressure(t *testing.T) {
	// Hand calculation: 5.707/4.208 = 1.356 choked; (5.707^2 - 1.013^2)/(4.208^2 - 1.013^2) = 1.891.
	one := airspring.Range{Value: 1, Low: 0.9, High: 1.1}
	r, ok := airspring.AtPressure(one, 420767, 570713, ambient)
	require.True(t, ok)
	near(t, 0.9*1.35636, r.Low)
	near(t, 1.1*1.8910, r.High)
	near(t, (1.35636+1.8910)/2, r.Value)

	_, ok = airspring.AtPressure(one, ambient, 570713, ambient)
	require.False(t, ok, "nothing leaks at the pressure around")
	_, ok = airspring.AtPressure(airspring.Range{Value: math.NaN()}, 420767, 570713, ambient)
	require.False(t, ok)
}

func TestWarmFill(t *testing.T) {
	// Textbook: a vacuum filled from a supply of 300 K ends at 420 K, so 1.4 times the cold pressure.
	pa, ok := airspring.ColdAfterFill(1e-9, 140e3)
	require.True(t, ok)
	near(t, 100e3, pa)
	// Hand calculation with the same formula: from 1.01325 to 4.20767 bar at 374.35 K, cold 3.29498 bar.
	pa, ok = airspring.ColdAfterFill(101325, 420767)
	require.True(t, ok)
	near(t, 329498, pa)
	_, ok = airspring.ColdAfterFill(420767, 101325)
	require.False(t, ok, "that is a bleed")
}

func TestSinkingPerLeak(t *testing.T) {
	// Hand calculation: 4 ml/min standing on 5.70713 bar let a 98 cm2 spring sink 4.279 mm an hour.
	perKg, ok := car.SinkPerKg(570713, 293.15)
	require.True(t, ok)
	near(t, 4.279, airspring.FromMlMin(4)*3600*perKg)
}

func TestVolumeAndHeightAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := airspring.Spring{
			VolumeM3:    rapid.Float64Range(1e-3, 30e-3).Draw(t, "volume"),
			AreaM2:      rapid.Float64Range(50e-4, 400e-4).Draw(t, "area"),
			MotionRatio: rapid.Float64Range(0.5, 1).Draw(t, "motion ratio"), MotionKnown: true,
		}
		mm := rapid.Float64Range(-150, 150).Draw(t, "height")
		m3, ok := s.VolumeAt(mm)
		if !ok {
			require.LessOrEqual(t, s.VolumeM3+s.AreaM2*s.MotionRatio*mm/1000, 0.0)
			return
		}
		back, ok := s.HeightOf(m3)
		require.True(t, ok)
		require.InDelta(t, mm, back, 1e-6)
	})
}

// Whatever goes in, what comes out with ok is a number.
func TestNothingButNumbers(t *testing.T) {
	odd := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, -1, 1e-320, 1e308, math.NaN(), math.Inf(1), math.Inf(-1)}))
	rapid.Check(t, func(t *rapid.T) {
		s := airspring.Spring{VolumeM3: odd.Draw(t, "volume"), AreaM2: odd.Draw(t, "area"),
			MotionRatio: odd.Draw(t, "ratio"), MotionKnown: rapid.Bool().Draw(t, "known"), VolumeU: odd.Draw(t, "u")}
		a, b, c, d := odd.Draw(t, "a"), odd.Draw(t, "b"), odd.Draw(t, "c"), odd.Draw(t, "d")
		results := []func() (float64, bool){
			func() (float64, bool) { return s.VolumeAt(a) },
			func() (float64, bool) { return s.HeightOf(a) },
			func() (float64, bool) { return s.MassAt(a, b, c) },
			func() (float64, bool) { return s.SinkPerKg(a, b) },
			func() (float64, bool) { return s.Rise(a, b, c) },
			func() (float64, bool) { r, ok := s.RestAt(a, b, c, d); return r.Low + r.High, ok },
			func() (float64, bool) { return s.NeedsHanging(a, b, c, d) },
			func() (float64, bool) { return airspring.Compress(a, b, c, d) },
			func() (float64, bool) { return airspring.ColdAfterFill(a, b) },
			func() (float64, bool) { e, ok := airspring.ExponentOf(a, b, c, d, a); return e.N + e.U, ok },
			func() (float64, bool) {
				r, ok := airspring.AtPressure(airspring.Range{Value: a, Low: b, High: c}, d, a, b)
				return r.Low + r.High, ok
			},
		}
		for i, result := range results {
			if v, ok := result(); ok {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "result %d", i)
			}
		}
	})
}
