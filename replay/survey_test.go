package replay

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

func at(seconds int) capture.Stamp { return start.Add(time.Duration(seconds) * time.Second) }

var invented = Survey{Start: start, End: at(3600), Points: []Point{
	{At: at(100), Kind: MarkPoint, Name: "bled", Corner: decode.RearLeft},
	{At: at(110), Kind: StagePoint, Name: safety.StageBleed, Corner: decode.RearRight},
	{At: at(160), Kind: MarkPoint, Name: "bled", Corner: decode.RearRight},
	{At: at(2000), End: at(2010), Kind: FindingPoint, Name: "lowered-without-pressure", Corner: decode.RearRight, Danger: true},
}}

func TestFind(t *testing.T) {
	for text, want := range map[string]capture.Stamp{
		"00:33:20":                              at(2000),
		"33:20":                                 at(2000),
		"0:01.5":                                start.Add(1500 * time.Millisecond),
		"90s":                                   at(90),
		"1h2m3s":                                at(3723),
		"26:00:00":                              at(93600), // a job may take more than a day
		start.String():                          start,
		"bled":                                  at(100),
		"bled#2":                                at(160),
		"bled@rear-right":                       at(160),
		"bleed":                                 at(110),
		"lowered-without-pressure":              at(2000),
		"lowered-without-pressure@rear-right#1": at(2000),
	} {
		got, err := invented.Find(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
}

func TestFindRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"filled":           `"filled" is no time, and no stage, mark or broken rule of this session, expected one of bled, bleed, lowered-without-pressure`,
		"bled#3":           `"bled#3": the session has only 2 of it`,
		"bled#0":           `"bled#0": "0" is no number from 1 on`,
		"bled#x":           `"bled#x": "x" is no number from 1 on`,
		"bled@roof":        `"bled@roof": "roof" is no corner`,
		"00:61:75":         `"00:61:75" is no time, and no stage, mark or broken rule of this session, expected one of bled, bleed, lowered-without-pressure`,
		"-5s":              `"-5s" is no time, and no stage, mark or broken rule of this session, expected one of bled, bleed, lowered-without-pressure`,
		"1:2:3:4":          `"1:2:3:4" is no time, and no stage, mark or broken rule of this session, expected one of bled, bleed, lowered-without-pressure`,
		"bled@rear-left#2": `"bled@rear-left#2": the session has only 1 of it`,
	} {
		_, err := invented.Find(text)
		require.EqualError(t, err, want, text)
	}
	_, err := (&Survey{}).Find("bled")
	require.EqualError(t, err, `"bled" is no time, and the session has no stage, mark or broken rule`)
}

func FuzzFind(f *testing.F) {
	f.Add("00:33:20")
	f.Add("bled@rear-left#2")
	f.Add("::")
	f.Fuzz(func(t *testing.T, text string) {
		if got, err := invented.Find(text); err != nil && got != 0 {
			t.Fatal("a time beside an error")
		}
	})
}

func TestNext(t *testing.T) {
	p, ok := invented.Next(start, StagePoint)
	require.True(t, ok)
	require.Equal(t, at(110), p.At)
	p, ok = invented.Next(at(110), MarkPoint, FindingPoint)
	require.True(t, ok)
	require.Equal(t, at(160), p.At)
	_, ok = invented.Next(at(2000), StagePoint, MarkPoint, FindingPoint)
	require.False(t, ok)
}

// lasts works out by hand how long a plan takes.
func lasts(from capture.Stamp, plan Pace) time.Duration {
	sum := 0.0
	for _, leg := range plan {
		sum += leg.Until.Sub(from).Seconds() / leg.Speed
		from = leg.Until
	}
	return time.Duration(sum * float64(time.Second))
}

func TestWithinIsSlowerAtTheDanger(t *testing.T) {
	plan := invented.Within(40 * time.Second)
	require.Len(t, plan, 3)
	require.Equal(t, at(1988), plan[0].Until, "12 s before it")
	require.Equal(t, at(2020), plan[1].Until, "20 s after it began")
	require.InDelta(t, 32.0/20, plan[1].Speed, 1e-9)
	require.InDelta(t, (3600.0-32)/20, plan[0].Speed, 1e-9)
	require.InDelta(t, 40, lasts(start, plan).Seconds(), 1e-6)
}

func TestWithinNeverStretches(t *testing.T) {
	require.Equal(t, Pace{{at(3600), 1}}, invented.Within(2*time.Hour))
}

// Whatever the session, the plan keeps its time and goes forward.
func TestWithinKeepsItsTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Survey{Start: start, End: at(rapid.IntRange(1, 100_000).Draw(t, "length"))}
		last := 0
		for range rapid.IntRange(0, 30).Draw(t, "points") {
			last += rapid.IntRange(0, 600).Draw(t, "apart")
			s.Points = append(s.Points, Point{At: min(at(last), s.End), Kind: FindingPoint, Danger: rapid.Bool().Draw(t, "danger")})
		}
		total := time.Duration(rapid.IntRange(1, 200).Draw(t, "total")) * time.Second
		plan := s.Within(total)
		require.LessOrEqual(t, lasts(s.Start, plan).Seconds(), total.Seconds()+1e-6)
		require.Equal(t, s.End, plan[len(plan)-1].Until)
		for i := range plan {
			require.Positive(t, plan[i].Speed)
			require.True(t, i == 0 || plan[i].Until >= plan[i-1].Until)
		}
	})
}

func TestLook(t *testing.T) {
	src, pipe := opened(t)
	s, err := Look(t.Context(), src, pipe)
	require.NoError(t, err)
	require.Greater(t, s.Frames, uint64(100_000))
	found, err := s.Find("lowered-without-pressure@rear-right")
	require.NoError(t, err)
	lowering, err := s.Find(safety.StageLowering)
	require.NoError(t, err)
	require.InDelta(t, lowering.Sub(s.Start).Seconds(), found.Sub(s.Start).Seconds(), 1)
	for i := 1; i < len(s.Points); i++ {
		require.LessOrEqual(t, s.Points[i-1].At, s.Points[i].At)
	}
}

func TestLookGivesWhatItReadBeforeAnError(t *testing.T) {
	_, pipe := opened(t)
	broken := errors.New("broken")
	s, err := Look(t.Context(), &then{capture.Slice{Frames: frames(0, 1, 2)}, broken}, pipe)
	require.ErrorIs(t, err, broken)
	require.EqualValues(t, 3, s.Frames)
	require.Equal(t, at(2), s.End)
}

// then is a source that ends in an error.
type then struct {
	capture.Slice
	err error
}

func (s *then) Next(ctx context.Context, into *capture.Batch) error {
	if err := s.Slice.Next(ctx, into); err == nil {
		return nil
	}
	return s.err
}
