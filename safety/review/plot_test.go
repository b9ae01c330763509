package review

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode"
)

// elements reads markup with a general-purpose reader and returns the start of every element.
func elements(t testing.TB, markup string) []xml.StartElement {
	t.Helper()
	var all []xml.StartElement
	for d := xml.NewDecoder(strings.NewReader(markup)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return all
		}
		require.NoError(t, err)
		if start, ok := token.(xml.StartElement); ok {
			all = append(all, start.Copy())
		}
	}
}

func attribute(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

func TestThePictureIsWellFormed(t *testing.T) {
	for _, r := range []*Review{earlyLowering(), properJob(), blind(), hostileReview(), {}} {
		markup, _ := r.drawPlot(r.sortFindings())
		require.NotEmpty(t, elements(t, markup))
		require.NotContains(t, markup, "NaN")
		require.NotContains(t, markup, "Inf")
		require.NotContains(t, markup, "%!")
	}
}

// Ticks worked out by hand: 1, 2 or 5 times a power of ten, over the whole range.
func TestScales(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		ticks     int
		want      []float64
	}{
		{0, 7.7, 4, []float64{0, 2, 4, 6, 8}},
		{-0.3, 7.7, 4, []float64{-2, 0, 2, 4, 6, 8}},
		{331.2, 471, 3, []float64{300, 350, 400, 450, 500}},
		{0, 1, 4, []float64{0, 0.5, 1}},
		{5, 5, 4, []float64{5, 5.5, 6}},
		{math.NaN(), 3, 4, []float64{0, 0.5, 1}},
	} {
		s := scaleOver(c.low, c.high, c.ticks)
		require.InDeltaSlice(t, c.want, s.ticks, 1e-9, "%v to %v", c.low, c.high)
	}
	s := scale{low: 0, high: 8}
	require.InDelta(t, 100, s.y(0, 100), 1e-9, "zero lies at the bottom")
	require.InDelta(t, 50, s.y(4, 100), 1e-9)
	require.InDelta(t, 0, s.y(99, 100), 1e-9, "what is beyond stays on the edge")
}

func TestTimeSteps(t *testing.T) {
	for all, want := range map[time.Duration]time.Duration{
		0: time.Second, 8 * time.Second: time.Second, time.Minute: 10 * time.Second, 40 * time.Minute: 5 * time.Minute,
		time.Hour: 10 * time.Minute, 24 * time.Hour: 4 * time.Hour,
	} {
		require.Equal(t, want, timeStep(all), all)
	}
	require.Positive(t, timeStep(math.MaxInt64))
}

// What the picture keeps of a course: in every column the least and the greatest value, no line over
// a gap, and nothing that was not measured.
func TestColumnsKeepTheExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := wagon(3600)
		p := &picture{r: r}
		var points []PlotPoint
		from := 0.0
		for range rapid.IntRange(1, 400).Draw(t, "points") {
			from += rapid.Float64Range(0.01, 30).Draw(t, "step")
			if from > 3590 {
				break
			}
			low := rapid.Float64Range(-1, 10).Draw(t, "low")
			high := low + rapid.Float64Range(0, 3).Draw(t, "width")
			points = append(points, PlotPoint{From: at(from), To: at(from), Least: low, Greatest: high, First: low, Last: high, Break: rapid.Bool().Draw(t, "break")})
		}
		columns := p.columns(points)
		least, greatest, breaks := math.Inf(1), math.Inf(-1), 0
		for _, q := range points {
			least, greatest = math.Min(least, q.Least), math.Max(greatest, q.Greatest)
			if q.Break {
				breaks++
			}
		}
		low, high, cuts := math.Inf(1), math.Inf(-1), 0
		for i, c := range columns {
			low, high = math.Min(low, c.low), math.Max(high, c.high)
			if c.cut {
				cuts++
			}
			if i > 0 && c.x < columns[i-1].x {
				t.Fatalf("column %d goes back", i)
			}
		}
		if low != least || high != greatest {
			t.Fatalf("%v to %v became %v to %v", least, greatest, low, high)
		}
		if cuts != breaks {
			t.Fatalf("%d breaks became %d cuts", breaks, cuts)
		}
	})
}

// subpaths reads the data of a path back: the first and last column of each run.
func subpaths(t testing.TB, data string) [][2]float64 {
	t.Helper()
	var runs [][2]float64
	for _, run := range strings.Split(strings.TrimPrefix(data, "M"), "M") {
		var xs []float64
		for _, step := range strings.Split(run, "L") {
			x, _, _ := strings.Cut(step, " ")
			v, err := strconv.ParseFloat(x, 64)
			require.NoError(t, err, data)
			xs = append(xs, v)
		}
		runs = append(runs, [2]float64{xs[0], xs[len(xs)-1]})
	}
	return runs
}

func TestNoLineCrossesAGap(t *testing.T) {
	r := earlyLowering()
	markup, _ := r.drawPlot(r.sortFindings())
	p := &picture{r: r}
	from, to := p.x(at(622)), p.x(at(1368))
	curves := 0
	for _, e := range elements(t, markup) {
		id := attribute(e, "id")
		if e.Name.Local != "path" || !strings.HasPrefix(id, "c-") {
			continue
		}
		curves++
		runs := subpaths(t, attribute(e, "d"))
		require.GreaterOrEqual(t, len(runs), 2, id)
		for _, run := range runs {
			require.False(t, run[0] < from-2 && run[1] > to+2, "%s runs from %v to %v over the gap", id, run[0], run[1])
		}
	}
	require.Equal(t, 8, curves)
	require.Equal(t, 4, strings.Count(markup, "no frame for 12:26"))
}

// A fall below least pressure that lasted for one sample of an hour stays visible.
func TestAShortFallStaysVisible(t *testing.T) {
	r := properJob()
	plot := &r.Corners[decode.RearLeft].Pressure
	p := &picture{r: r}
	p.scales()
	draw := func() string { return path(level(p.columns(plot.Points), p.press, pressHeight), p.press, pressHeight) }
	const bottom = "71.9" // of 72, for 0.01 bar on a scale of 0 to 8: 72 x 7.99 / 8
	require.NotContains(t, draw(), bottom)
	plot.Points[1500].Least = 0.01
	require.Contains(t, draw(), bottom)
}

func TestAPathOfOnePointIsADot(t *testing.T) {
	s := scale{low: 0, high: 10}
	require.Equal(t, "M7 50h.01", path([]column{{7, 5, 5, false}}, s, 100))
	require.Equal(t, "M7 50L8 50M9 40h.01", path([]column{{7, 5, 5, false}, {8, 5, 5, false}, {9, 6, 6, true}}, s, 100))
	require.Equal(t, "M7 50V20", path([]column{{7, 5, 8, false}}, s, 100))
	require.Empty(t, path(nil, s, 100))
}

func TestShapesNeverCover(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var shapes []placed
		for range rapid.IntRange(1, 25).Draw(t, "n") {
			shapes = append(shapes, placed{x: rapid.Float64Range(plotLeft, plotRight).Draw(t, "x")})
		}
		const size = 25
		xs := spread(shapes, size)
		for i := range xs {
			if xs[i] > plotRight+size || i > 0 && xs[i]-xs[i-1] < size-1e-6 {
				t.Fatalf("shapes at %v", xs)
			}
		}
	})
}

func TestAnOldValueIsNoNews(t *testing.T) {
	r := blind()
	markup, _ := r.drawPlot(r.sortFindings())
	require.NotContains(t, markup, ">0.90<", "the last pressure of rear-right is 700 s old")
	require.Contains(t, markup, ">6.10<")
	require.Contains(t, markup, "not an air spring")
	require.Contains(t, markup, "no pressure signal")
}

func TestTheTextBesideThePictureSaysTheSame(t *testing.T) {
	words := earlyLowering().plotWords()
	require.Contains(t, words, "rear-right: pressure in bar gauge first 5.99")
	require.Contains(t, words, "least 331.2")
	require.Contains(t, words, "no frame 10:22 to 22:48.")
	require.Equal(t, 4, strings.Count(blind().plotWords(), "-left:")+strings.Count(blind().plotWords(), "-right:"))
}

func TestAxisOfASessionWithoutLength(t *testing.T) {
	r := wagon(0)
	p := &picture{r: r}
	require.InDelta(t, plotLeft, p.x(at(0)), 1e-9)
	require.InDelta(t, plotLeft, p.x(capture.Stamp(math.MaxInt64)), 1e-9)
}

// The longest time that a stamp can hold has a few figures on its axis like any other.
func TestAxisOfTheLongestSession(t *testing.T) {
	r := wagon(0)
	r.Record.Start, r.Record.End = 0, math.MaxInt64
	markup, _ := r.drawPlot(r.sortFindings())
	require.LessOrEqual(t, strings.Count(markup, `class="tk"`), mostTimes+2)
}
