package sag

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/safety/airspring"
)

// The invented spring of a passenger car: 2.2 L, 98 cm2, on 4600 N.
var car = airspring.Spring{VolumeM3: 2.2e-3, AreaM2: 98e-4, MotionRatio: 1, MotionKnown: true}

const standPa = 469388.0 // gauge; hand calculation 4600 N/98 cm2

func known(v, u float64) Measured { return Measured{Value: v, U: u, Known: true} }

// moment is one corner at rest.
func moment(mm, gaugePa, kelvin float64) Moment {
	return Moment{AmbientK: known(kelvin, 0), BarometerPa: known(101325, 0),
		Corners: []State{{HeightMM: known(mm, 0), GaugePa: known(gaugePa, 0)}}}
}

// overnight is the context of a corner that stood alone for a night, its history known.
func overnight() Context {
	return Context{Subjects: []Subject{{Name: "rear-left", Spring: car, OverDesign: true}},
		HistoryS: 1e5, Undisturbed: true, AmbientHeld: true}
}

func find(t *testing.T, c Corner, k Kind) Cause {
	t.Helper()
	for _, cause := range c.Causes {
		if cause.Cause == k {
			return cause
		}
	}
	require.Failf(t, "cause missing", "%v in %+v", k, c.Causes)
	return Cause{}
}

func absent(t *testing.T, c Corner, k Kind) {
	t.Helper()
	for _, cause := range c.Causes {
		require.NotEqual(t, k, cause.Cause, "%+v", cause)
	}
}

// adds checks that the causes add up to the drop.
func adds(t require.TestingT, c Corner) {
	sum := 0.0
	for _, cause := range c.Causes {
		if cause.Cause != UnderFilled {
			sum += cause.MM
		}
	}
	require.InDelta(t, c.DropMM.Value, sum, 0.01, "%+v", c)
}

func TestCoolingAndLeak(t *testing.T) {
	// Hand calculation: a night from 20 to 8 degC with a leak of 0.4 ml/min for 10 h loses 0.2844 g
	// of 14.9207 g; V = 2.06973 L, drop 13.293 mm, of it cooling 9.189 mm and leak 4.104 mm. With u of
	// 1 K each and 0.3 mm each: cooling 9.2 [6.8, 11.6], leak 4.1 [1.6, 6.6], together 13.3 [12.5, 14.1].
	c := Explain(moment(0, standPa, 293.15), moment(-13.293, standPa, 281.15), overnight())[0]
	cooling, leak := find(t, c, Cooling), find(t, c, Leak)
	require.InDelta(t, 9.189, cooling.MM, 0.01)
	require.InDelta(t, 4.104, leak.MM, 0.01)
	require.InDelta(t, 11.6, cooling.HighMM, 0.15)
	require.InDelta(t, 1.6, leak.LowMM, 0.15)
	require.InDelta(t, 6.6, leak.HighMM, 0.15)
	require.InDelta(t, 12.45, c.DropMM.Low, 0.1)
	require.InDelta(t, 14.14, c.DropMM.High, 0.1)
	require.InDelta(t, 14.9207e-3, c.MassKg[0], 1e-5)
	require.InDelta(t, 14.6363e-3, c.MassKg[1], 1e-5)
	require.InDelta(t, 1, cooling.Weight+leak.Weight, 1e-9)
	require.False(t, leak.Joint)
	require.Equal(t, "rear-left sank 13 mm: 9 mm because its air cooled, 4 mm because air leaked away", c.Sentence)
	require.Contains(t, c.Note, "if the height sensor has not moved")
	adds(t, c)
}

func TestCoolingLast(t *testing.T) {
	// Hand calculation: -5 % temperature, -10 % mass: drop 32.6 mm; cooling first 11.2, last 10.1 mm.
	const t1 = 293.15 * 0.95
	drop := 2200 * (1 - 0.95*0.9) / 98 * 10 // mm
	c := Explain(moment(0, standPa, 293.15), moment(-drop, standPa, t1), overnight())[0]
	cooling := find(t, c, Cooling)
	require.InDelta(t, 32.6, c.DropMM.Value, 0.1)
	require.InDelta(t, 11.2, cooling.MM, 0.05)
	// Two u of 1 K each and 5 % of V/A reach 2.44 mm down; the order of counting another 1.1 mm.
	require.InDelta(t, 11.2-2.44-1.1, cooling.LowMM, 0.1)
	require.InDelta(t, 32.6-11.2, find(t, c, Leak).MM, 0.1)
}

func TestOnlyCooling(t *testing.T) {
	c := Explain(moment(0, standPa, 293.15), moment(-9.189, standPa, 281.15), overnight())[0]
	require.InDelta(t, 9.189, find(t, c, Cooling).MM, 0.01)
	absent(t, c, Leak)
	adds(t, c)
}

func TestLoad(t *testing.T) {
	// Hand calculation: pressure from 570 713 to 627 784 Pa absolute (x 1.1): 2.2 L (1 - 1/1.1)/98 cm2
	// = 20.41 mm.
	c := Explain(moment(0, standPa, 293.15), moment(-20.41, standPa+57071, 293.15), overnight())[0]
	require.InDelta(t, 20.41, find(t, c, Load).MM, 0.02)
	absent(t, c, Leak)
	adds(t, c)
	require.Contains(t, c.Sentence, "it carries more")
}

func TestCommanded(t *testing.T) {
	// Hand calculation: 1 mm is 66.5 mg on this spring.
	ctx := overnight()
	ctx.Subjects[0].CommandedKg = known(-66.5e-6*10, 1e-6)
	c := Explain(moment(0, standPa, 293.15), moment(-10, standPa, 293.15), ctx)[0]
	require.InDelta(t, 10, find(t, c, Commanded).MM, 0.02)
	absent(t, c, Leak)
	adds(t, c)
}

func TestMovedLinkage(t *testing.T) {
	before, after := moment(0, standPa, 293.15), moment(-12, standPa, 293.15)
	byNothing := Explain(before, after, overnight())[0]
	require.InDelta(t, 12, find(t, byNothing, Leak).MM, 0.01, "without a tape it looks the same")
	require.Contains(t, byNothing.Note, "if the height sensor has not moved")

	before.Corners[0].TapeMM, after.Corners[0].TapeMM = known(391, 1), known(391, 1)
	c := Explain(before, after, overnight())[0]
	require.InDelta(t, 12, find(t, c, Sensor).MM, 0.01)
	absent(t, c, Leak)
	require.InDelta(t, 0, c.BodyMM.Value, 0.01)
	require.Equal(t, "rear-left reads 12 mm lower, while its body did not move: 12 mm because the height sensor shows lower than the body is", c.Sentence)
	adds(t, c)

	jump := overnight()
	jump.Subjects[0].JumpMM = 12
	c = Explain(moment(0, standPa, 293.15), moment(-12, standPa, 293.15), jump)[0]
	require.InDelta(t, 12, find(t, c, Sensor).MM, 0.01)

	// The tape agrees: the sensor is out of it.
	before.Corners[0].TapeMM, after.Corners[0].TapeMM = known(391, 1), known(379, 1)
	c = Explain(before, after, overnight())[0]
	absent(t, c, Sensor)
	require.NotContains(t, c.Note, "sensor")
}

// pair is two corners of an axle, the left one lost lost mm and the right one gained gained mm.
func pair(leftDrop, rightDrop float64) (before, after Moment, ctx Context) {
	before, after = moment(0, 506500, 277.15), moment(-leftDrop, 506500, 277.15)
	before.Corners = append(before.Corners, State{HeightMM: known(0, 0), GaugePa: known(453000, 0)})
	after.Corners = append(after.Corners, State{HeightMM: known(-rightDrop, 0), GaugePa: known(453000, 0)})
	ctx = overnight()
	ctx.Subjects[0].Partners = []int{1}
	ctx.Subjects = append(ctx.Subjects, Subject{Name: "rear-right", Spring: car, OverDesign: true, Partners: []int{0}})
	return before, after, ctx
}

func TestCrossFlow(t *testing.T) {
	// Hand calculation: 20 mm on 607 825 Pa are 20 x 607 825/554 325 = 21.93 mm on 554 325 Pa.
	left, right := 20.0, -21.93
	before, after, ctx := pair(left, right)
	corners := Explain(before, after, ctx)
	require.InDelta(t, 20, find(t, corners[0], CrossFlow).MM, 0.05)
	require.InDelta(t, -21.93, find(t, corners[1], CrossFlow).MM, 0.05)
	require.Equal(t, "rear-left sank 20 mm: 20 mm because air flowed over to rear-right", corners[0].Sentence)
	require.Equal(t, "rear-right rose 22 mm: 22 mm because air flowed over from rear-left", corners[1].Sentence)
	for _, c := range corners {
		absent(t, c, Leak)
		adds(t, c)
	}

	t.Run("some of it leaked", func(t *testing.T) {
		before, after, ctx := pair(30, -21.93)
		corners := Explain(before, after, ctx)
		require.InDelta(t, 20, find(t, corners[0], CrossFlow).MM, 0.05)
		require.InDelta(t, 10, find(t, corners[0], Leak).MM, 0.05)
		adds(t, corners[0])
	})
	t.Run("uphill", func(t *testing.T) {
		before, after, ctx := pair(-20, 21.93)
		for _, c := range Explain(before, after, ctx) {
			absent(t, c, CrossFlow)
			adds(t, c)
		}
	})
	t.Run("no partner", func(t *testing.T) {
		before, after, ctx := pair(left, right)
		ctx.Subjects[0].Partners, ctx.Subjects[1].Partners = nil, nil
		corners := Explain(before, after, ctx)
		absent(t, corners[0], CrossFlow)
		require.Contains(t, find(t, corners[1], Unexplained).Note, "gained air")
	})
}

func TestJoint(t *testing.T) {
	for _, row := range []struct {
		name   string
		change func(before, after *Moment, ctx *Context)
		with   Kind
		note   string
	}{
		{"no temperature", func(b, a *Moment, _ *Context) { a.AmbientK = Measured{} }, Cooling, "no temperature"},
		{"driven before", func(_, _ *Moment, ctx *Context) { ctx.Driven = true }, Cooling, "driven"},
		{"no pressure", func(b, _ *Moment, _ *Context) { b.Corners[0].GaugePa = Measured{} }, Load, "no pressure"},
	} {
		t.Run(row.name, func(t *testing.T) {
			before, after, ctx := moment(0, standPa, 293.15), moment(-20, standPa, 293.15), overnight()
			row.change(&before, &after, &ctx)
			c := Explain(before, after, ctx)[0]
			leak, other := find(t, c, Leak), find(t, c, row.with)
			require.True(t, leak.Joint && other.Joint)
			require.Equal(t, leak.MM, other.MM)
			require.Zero(t, leak.LowMM)
			require.GreaterOrEqual(t, leak.HighMM, 20.0)
			require.Contains(t, leak.Note, row.note)
			require.Contains(t, c.Sentence, "can't be told apart")
			adds(t, c)
		})
	}
}

func TestUnknownHistory(t *testing.T) {
	ctx := overnight()
	known := Explain(moment(0, standPa, 293.15), moment(-25, standPa, 281.15), ctx)[0]
	ctx.HistoryS = 60
	unknown := Explain(moment(0, standPa, 293.15), moment(-25, standPa, 281.15), ctx)[0]
	// Hand calculation: 10 K x 0.766 mm/K = 7.66 mm more for cooling, less for the leak.
	require.InDelta(t, 7.66, find(t, unknown, Cooling).HighMM-find(t, known, Cooling).HighMM, 0.02)
	require.InDelta(t, -7.66, find(t, unknown, Leak).LowMM-find(t, known, Leak).LowMM, 0.02)
	require.Contains(t, find(t, unknown, Leak).Note, "driven")
	require.Equal(t, find(t, known, Leak).MM, find(t, unknown, Leak).MM)
}

func TestUnderFilled(t *testing.T) {
	ctx := overnight()
	ctx.Subjects[0].SeriesMM, ctx.Subjects[0].ToleranceMM = Measured{Value: 0, Known: true}, 5
	c := Explain(moment(-15, standPa, 293.15), moment(-15, standPa, 293.15), ctx)[0]
	low := find(t, c, UnderFilled)
	require.InDelta(t, 15, low.MM, 1e-9)
	require.Zero(t, low.Weight)
	require.Equal(t, "rear-left did not move; it was 15 mm too low before already", c.Sentence)
	adds(t, c)

	inside := Explain(moment(-4, standPa, 293.15), moment(-4, standPa, 293.15), ctx)[0]
	absent(t, inside, UnderFilled)
}

func TestWhatCantBeSplit(t *testing.T) {
	t.Run("bump stop", func(t *testing.T) {
		after := moment(-70, 100e3, 293.15)
		after.Corners[0].OnStop = true
		c := Explain(moment(0, standPa, 293.15), after, overnight())[0]
		require.Empty(t, c.Causes)
		require.InDelta(t, 70, c.DropMM.Value, 1e-9)
		require.Contains(t, c.Sentence, "bump stop")
	})
	t.Run("no volume", func(t *testing.T) {
		ctx := overnight()
		ctx.Subjects[0].Spring = airspring.Spring{}
		c := Explain(moment(0, standPa, 293.15), moment(-10, standPa, 281.15), ctx)[0]
		require.Len(t, c.Causes, 1)
		require.InDelta(t, 10, find(t, c, Unexplained).MM, 1e-9)
		require.Contains(t, c.Causes[0].Note, "no volume")
	})
	t.Run("no height", func(t *testing.T) {
		after := moment(0, standPa, 293.15)
		after.Corners[0].HeightMM = Measured{}
		c := Explain(moment(0, standPa, 293.15), after, overnight())[0]
		require.False(t, c.HasDrop)
		require.Empty(t, c.Causes)
		require.Contains(t, c.Sentence, "can't be told")
	})
	t.Run("corner not in the moment", func(t *testing.T) {
		c := Explain(Moment{}, Moment{}, overnight())[0]
		require.False(t, c.HasDrop)
	})
	t.Run("gained air", func(t *testing.T) {
		c := Explain(moment(0, standPa, 293.15), moment(15, standPa, 293.15), overnight())[0]
		require.InDelta(t, -15, find(t, c, Unexplained).MM, 0.01)
		adds(t, c)
	})
}

func TestOneCornerAlone(t *testing.T) {
	ctx, before, after := Context{HistoryS: 1e5, AmbientHeld: true}, moment(0, standPa, 293.15), moment(0, standPa, 293.15)
	before.Corners, after.Corners = nil, nil
	for i, name := range []string{"front-left", "front-right", "rear-left", "rear-right"} {
		ctx.Subjects = append(ctx.Subjects, Subject{Name: name, Spring: car, OverDesign: true})
		before.Corners = append(before.Corners, State{HeightMM: known(0, 0), GaugePa: known(standPa, 0)})
		after.Corners = append(after.Corners, State{HeightMM: known([]float64{0, 0, 0, -14}[i], 0), GaugePa: known(standPa, 0)})
	}
	corners := Explain(before, after, ctx)
	require.Contains(t, corners[3].Note, "check the linkage")
	require.NotContains(t, corners[0].Note, "linkage")

	// Load that moves over a diagonal: the sum stays.
	for i, d := range []float64{20e3, -20e3, -20e3, 20e3} {
		after.Corners[i] = State{HeightMM: known(0, 0), GaugePa: known(standPa+d, 0)}
	}
	for _, c := range Explain(before, after, ctx) {
		require.Contains(t, c.Note, "load moved between them")
	}
}

// Whatever the numbers, the causes add up to the drop, weights to one, and nothing but numbers
// comes out.
func TestCausesAddUp(t *testing.T) {
	measured := func(t *rapid.T, name string, low, high float64) Measured {
		return Measured{Value: rapid.Float64Range(low, high).Draw(t, name), U: rapid.Float64Range(0, 2).Draw(t, "u"),
			Known: rapid.IntRange(0, 9).Draw(t, "known") > 0}
	}
	rapid.Check(t, func(t *rapid.T) {
		var before, after Moment
		ctx := Context{HistoryS: rapid.Float64Range(0, 1e4).Draw(t, "history"), Driven: rapid.Bool().Draw(t, "driven"),
			Undisturbed: rapid.Bool().Draw(t, "undisturbed"), Gap: rapid.Bool().Draw(t, "gap")}
		for i, name := range []string{"a", "b"} {
			s := Subject{Name: name, Spring: car, OverDesign: rapid.Bool().Draw(t, "over design"), Partners: []int{1 - i, 7, -1}}
			if rapid.IntRange(0, 4).Draw(t, "commanded") == 0 {
				s.CommandedKg = known(rapid.Float64Range(-1e-3, 1e-3).Draw(t, "kg"), 1e-5)
			}
			s.JumpMM = rapid.SampledFrom([]float64{0, 0, 5, -8}).Draw(t, "jump")
			ctx.Subjects = append(ctx.Subjects, s)
			for _, m := range []*Moment{&before, &after} {
				m.Corners = append(m.Corners, State{HeightMM: measured(t, "height", -60, 60), GaugePa: measured(t, "pressure", 0, 9e5),
					TapeMM: measured(t, "tape", 300, 450), OnStop: rapid.IntRange(0, 9).Draw(t, "stop") == 0})
			}
		}
		for _, m := range []*Moment{&before, &after} {
			m.AmbientK, m.BarometerPa = measured(t, "ambient", 240, 320), measured(t, "barometer", 70e3, 105e3)
		}
		for _, c := range Explain(before, after, ctx) {
			if len(c.Causes) == 0 {
				continue
			}
			adds(t, c)
			weight, size := 0.0, 0.0
			for _, cause := range c.Causes {
				require.True(t, finite(cause.MM, cause.LowMM, cause.HighMM, cause.Weight))
				require.LessOrEqual(t, cause.LowMM, cause.MM+1e-9)
				require.GreaterOrEqual(t, cause.HighMM, cause.MM-1e-9)
				weight += cause.Weight
				if cause.Cause != UnderFilled {
					size += math.Abs(cause.MM)
				}
			}
			if size > 0 {
				require.InDelta(t, 1, weight, 1e-6)
			}
			require.NotEmpty(t, c.Sentence)
		}
	})
}

func TestOddNumbers(t *testing.T) {
	for _, odd := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1e9, 1e308} {
		for _, c := range []Corner{
			Explain(moment(odd, standPa, 293.15), moment(0, standPa, 293.15), overnight())[0],
			Explain(moment(0, odd, 293.15), moment(-9, standPa, 293.15), overnight())[0],
			Explain(moment(0, standPa, odd), moment(-9, standPa, 293.15), overnight())[0],
		} {
			for _, cause := range c.Causes {
				require.True(t, finite(cause.MM, cause.Weight), "%g: %+v", odd, cause)
			}
			require.NotContains(t, c.Sentence, "NaN")
		}
	}
}

func TestWordsOfSentences(t *testing.T) {
	for k := range phrases {
		for _, p := range phrases[k] {
			for _, word := range []string{"safe", "OK", "ready", "all clear", "green"} {
				require.False(t, strings.Contains(" "+p+" ", " "+word+" "))
			}
		}
		require.NotEqual(t, "unknown", k.String())
	}
	require.Equal(t, "unknown", Kind(77).String())
}
