package quantity_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/decode/quantity"
)

// The SI values follow from the definitions of the units (BIPM, SI brochure, 9th edition) by hand;
// those of the flows from 1 ml/min = 1e-6 m3 / 60 s at 100 kPa (ISO 8778).
func TestParseIn(t *testing.T) {
	for _, c := range []struct {
		text string
		to   quantity.Unit
		want float64
	}{
		{"2.2 L", quantity.CubicMetre, 0.0022},
		{"2.2 l", quantity.CubicMetre, 0.0022},
		{"2200 cm3", quantity.Litre, 2.2},
		{"98 cm2", quantity.SquareMetre, 0.0098},
		{"0.0098 m2", quantity.SquareCentimetre, 98},
		{"1 bar", quantity.Pascal, 100000},
		{"0.3 bar", quantity.Kilopascal, 30},
		{"101.325 kPa", quantity.Bar, 1.01325},
		{"391 mm", quantity.Metre, 0.391},
		{"39.1 cm", quantity.Millimetre, 391},
		{"391mm", quantity.Millimetre, 391},
		{"2 min", quantity.Second, 120},
		{"2 s", quantity.Second, 2},
		{"0.5 h", quantity.Minute, 30},
		{"12 V", quantity.Volt, 12},
		{"400 rpm", quantity.RPM, 400},
		{"400 1/min", quantity.RPM, 400},
		{"3 km/h", quantity.MetrePerSecond, 3.0 / 3.6},
		{"50 mm/s", quantity.MetrePerSecond, 0.05},
		{"20 degC", quantity.Kelvin, 293.15},
		{"0 K", quantity.Celsius, -273.15},
		{"-40 degC", quantity.Kelvin, 233.15},
		{"4 ml/min", quantity.PascalM3PerS, 4.0 / 600},
		{"4 mL/min", quantity.MillilitrePerMinute, 4},
		{"1 L/min", quantity.MillilitrePerMinute, 1000},
		{"0.001 Pa m3/s", quantity.MillilitrePerMinute, 0.6},
		{"0.7", quantity.One, 0.7},
		{"70 %", quantity.One, 0.7},
		{"+.5 m", quantity.Millimetre, 500},
		{"5. mm", quantity.Millimetre, 5},
		{"1e2 mm", quantity.Metre, 0.1},
		{"1E-1 m", quantity.Millimetre, 100},
	} {
		t.Run(c.text, func(t *testing.T) {
			got, err := quantity.ParseIn(c.text, c.to)
			require.NoError(t, err)
			require.InDelta(t, c.want, got, 1e-12*math.Max(1, math.Abs(c.want)))
		})
	}
}

func TestParseInRefuses(t *testing.T) {
	for _, c := range []struct {
		text string
		to   quantity.Unit
		want string
	}{
		{"98 cm", quantity.SquareMetre, `"98 cm" is a length, expected an area, such as 98 cm2`},
		{"98", quantity.SquareMetre, `"98" has no unit, expected an area, such as 98 cm2`},
		{"4 bar", quantity.MillilitrePerMinute, `"4 bar" is a pressure, expected a flow of air, such as 4 ml/min`},
		{"4 s", quantity.One, `"4 s" is a duration, expected a plain number, such as 0.7`},
		{"70 %", quantity.Bar, `"70 %" is a plain number, expected a pressure, such as 1 bar`},
		{"2,2 L", quantity.Litre, `"2,2 L" has a comma in its number, expected a volume, such as 2.2 L`},
		{"2.2 gal", quantity.Litre, `"2.2 gal" has the unknown unit "gal", expected a volume, such as 2.2 L`},
		{"1 BAR", quantity.Bar, `"1 BAR" has the unknown unit "BAR", expected a pressure, such as 1 bar`},
		{"1  bar", quantity.Bar, `"1  bar" has the unknown unit " bar", expected a pressure, such as 1 bar`},
		{"bar", quantity.Bar, `"bar" is no number with a unit, expected a pressure, such as 1 bar`},
		{"", quantity.Bar, `"" is no number with a unit, expected a pressure, such as 1 bar`},
		{"-", quantity.Bar, `"-" is no number with a unit, expected a pressure, such as 1 bar`},
		{"inf bar", quantity.Bar, `"inf bar" is no number with a unit, expected a pressure, such as 1 bar`},
		{"NaN bar", quantity.Bar, `"NaN bar" is no number with a unit, expected a pressure, such as 1 bar`},
		{"0x10 mm", quantity.Metre, `"0x10 mm" has the unknown unit "x10 mm", expected a length, such as 391 mm`},
		{"1e999 V", quantity.Volt, `"1e999 V" is out of range, expected a voltage, such as 12 V`},
		{"1e306 h", quantity.Second, `"1e306 h" is out of range, expected a number that fits into 64 bits in s`},
		{"1_000 mm", quantity.Metre, `"1_000 mm" has the unknown unit "_000 mm", expected a length, such as 391 mm`},
	} {
		t.Run(c.text, func(t *testing.T) {
			_, err := quantity.ParseIn(c.text, c.to)
			require.EqualError(t, err, c.want)
			var e *quantity.Error
			require.ErrorAs(t, err, &e)
		})
	}
}

func TestConversionRefusesAnotherDimension(t *testing.T) {
	_, err := quantity.Bar.In(quantity.Millimetre, 1)
	require.EqualError(t, err, `"bar" is a pressure, expected a length`)
	_, err = quantity.Bar.DifferenceIn(quantity.One, 1)
	require.EqualError(t, err, `"bar" is a pressure, expected a plain number`)
}

// A difference of temperatures has no zero point: 10 degC and 20 degC lie 10 K apart.
func TestDifferences(t *testing.T) {
	v, err := quantity.Celsius.DifferenceIn(quantity.Kelvin, 10)
	require.NoError(t, err)
	require.Equal(t, 10.0, v)
	v, err = quantity.Bar.DifferenceIn(quantity.Kilopascal, 0.05)
	require.NoError(t, err)
	require.InDelta(t, 5, v, 1e-12)
}

func TestZeroUnitIsAPlainNumber(t *testing.T) {
	var u quantity.Unit
	require.Equal(t, quantity.One, u)
	v, err := u.In(quantity.Percent, 0.25)
	require.NoError(t, err)
	require.InDelta(t, 25, v, 1e-12)
}

func TestNamesAreFoundAgain(t *testing.T) {
	for d := quantity.Number; d <= quantity.FlowANR; d++ {
		names := quantity.Names(d)
		require.NotEmpty(t, names, d)
		for _, name := range names {
			u, ok := quantity.ByName(name)
			require.True(t, ok, name)
			require.Equal(t, name, u.Name)
			require.Equal(t, d, u.Dimension)
		}
		example, err := quantity.Parse(d.Example())
		require.NoError(t, err)
		require.Equal(t, d, example.Unit.Dimension, "the example of %s", d)
	}
	_, ok := quantity.ByName("furlong")
	require.False(t, ok)
	require.Equal(t, "an unknown dimension", quantity.Dimension(200).String())
	require.Empty(t, quantity.Dimension(200).Example())
}

// There and back again is the same number, for every pair of units of one dimension.
func TestConversionIsReversible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := quantity.Dimension(rapid.IntRange(int(quantity.Number), int(quantity.FlowANR)).Draw(t, "dimension"))
		names := quantity.Names(d)
		u, _ := quantity.ByName(rapid.SampledFrom(names).Draw(t, "from"))
		to, _ := quantity.ByName(rapid.SampledFrom(names).Draw(t, "to"))
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		there, err := u.In(to, v)
		if err != nil {
			t.Fatal(err)
		}
		back, err := to.In(u, there)
		if err != nil || math.Abs(back-v) > 1e-9*math.Max(1, math.Abs(v)) {
			t.Fatalf("%g %s -> %g %s -> %g (%v)", v, u.Name, there, to.Name, back, err)
		}
	})
}

// FuzzParse: any text is a finite number in a known unit, or an *Error that says why not.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{"2.2 L", "98cm2", "-40 degC", "1e-3 Pa m3/s", "0x1p-2 m", "..5 mm", "1e+ mm", "70 %", "+ 1 V"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		v, err := quantity.Parse(text)
		if err != nil {
			var e *quantity.Error
			require.ErrorAs(t, err, &e)
			require.NotEmpty(t, e.Problem)
			return
		}
		require.False(t, math.IsInf(v.Number, 0) || math.IsNaN(v.Number))
		u, ok := quantity.ByName(v.Unit.Name)
		require.True(t, ok)
		require.Equal(t, u, v.Unit)
	})
}
