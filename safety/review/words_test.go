package review

import (
	"encoding/json"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode"
)

func TestTimesOfTheSession(t *testing.T) {
	hour, long := wagon(3600), wagon(7261)
	require.Equal(t, "33:32", hour.clock(at(2012.99)), "a time is cut, never rounded up")
	require.Equal(t, "60:00", hour.clock(at(3600)))
	require.Equal(t, "00:33:32", long.clock(at(2012)))
	require.Equal(t, "02:01:01", long.clock(at(7261)))
	require.Equal(t, "33:32.9", hour.fine(at(2012.99)))
	require.Equal(t, "1 March 2026 09:14:00 UTC", hour.clock(at(-86400)), "what lies outside the session is a date")
	require.Equal(t, "2 March 2026 10:14:01 UTC", hour.fine(at(3601)))
	require.Equal(t, "33:32", hour.span(at(2012.1), at(2012.9)))
	require.Equal(t, "33:32 to 33:51", hour.span(at(2012), at(2031)))
	require.Equal(t, "time unknown", hour.spanOf("", clock(3)))
	require.Equal(t, "start unknown", (&Review{}).date())
	require.Equal(t, "2 March 2026, 09:14 UTC, 60 min", hour.date())
}

func TestLengths(t *testing.T) {
	for d, want := range map[time.Duration]string{
		190 * time.Millisecond: "0.19 s", time.Second: "1 s", 119 * time.Second: "119 s", 2 * time.Minute: "2 min", 40 * time.Minute: "40 min", 12 * time.Hour: "12.0 h",
	} {
		require.Equal(t, want, lengthWords(d))
	}
	require.Equal(t, "12:26", wagon(3600).lengthOf(Gap{at(622), at(1368)}))
	require.Equal(t, "01:00:01", wagon(9999).lengthOf(Gap{at(0), at(3601)}))
}

func TestNumbersForPeople(t *testing.T) {
	for _, c := range []struct {
		v               float64
		unit, reference string
		want            string
	}{
		{0.65, "bar", "gauge", "0.65 bar gauge"},
		{1.663, "bar", "absolute", "1.66 bar absolute"},
		{162.54, "kPa", "gauge", "162.5 kPa gauge"},
		{331.24, "mm", "", "331.2 mm"},
		{-12, "mm", "design", "-12.0 mm from design height"},
		{-0.001, "bar", "gauge", "0.00 bar gauge"},
		{812.4, "rpm", "", "812 rpm"},
		{3.14159, "", "", "3.142"},
		{math.NaN(), "bar", "gauge", "unknown bar gauge"},
		{math.Inf(1), "mm", "", "unknown mm"},
	} {
		require.Equal(t, c.want, measured(c.v, c.unit, c.reference))
	}
	require.Equal(t, "the interval, \u22120.9 to 5.3", minus("the interval, -0.9 to 5.3"))
	require.Equal(t, "2026-03-02, rear-right, J-3", minus("2026-03-02, rear-right, J-3"))
	require.Equal(t, "1\u2009746\u2009648 of 9999", spaced("1746648 of 9999"))
}

func TestEvidenceInWords(t *testing.T) {
	r := wagon(3600)
	for _, c := range []struct {
		e    Evidence
		want told
	}{
		{value(60, "p", 0.65, "bar", "gauge", 7), told{"seen", "01:00.0", "p", "0.65 bar gauge", "packet 7"}},
		{markAt(60, "going-down", 41), told{"said", "01:00.0", "mark 'going-down'", "", "record J41"}},
		{message(60, "7F 31 22", 9), told{"seen", "01:00.0", "message", "7F 31 22", "packet 9"}},
		{Evidence{Signal: "ignition", State: "on", Frame: 3, At0: at(61)}, told{"seen", "01:01.0", "ignition", "on", "packet 3"}},
		{Evidence{Signal: "p", At0: at(61)}, told{"seen", "01:01.0", "p", "", ""}},
	} {
		require.Equal(t, c.want, r.tell(&c.e))
	}
}

func TestHeadlines(t *testing.T) {
	for _, c := range []struct {
		name   string
		review *Review
		want   string
	}{
		{"the worst finding", earlyLowering(), "rear-right came down on an empty spring: 0.65 bar gauge before it began to close, least 1.00 bar gauge."},
		{"nothing found", properJob(), "Nothing found. Not shown: 2."},
		{"cut short", blind(), "Cannot tell: the file is cut short."},
		{"nothing judged", &Review{Outcome: CannotTellAny}, "Cannot tell: nothing that was asked could be judged."},
		{"no outcome", &Review{}, "Cannot tell: nothing that was asked could be judged."},
		{"altered", &Review{Outcome: WarningGiven, Session: Session{Integrity: "altered"}}, "The file was altered after it was sealed."},
		{"one answer", &Review{Outcome: CannotTellAny, Findings: []Finding{
			finding("not-tight", "cannot-tell", "warning", "front-left", 0, 9, "").because("no-limit", "no limit was given")}},
			"Cannot tell about front-left: no limit was given."},
		{"several answers", &Review{Outcome: CannotTellAny, Findings: []Finding{
			finding("not-tight", "cannot-tell", "warning", "", 0, 9, "").unasked().because("gap", "a gap"),
			finding("not-tight", "cannot-tell", "warning", "rear-left", 0, 9, "").because("no-limit", "no limit was given"),
			finding("over-pressure", "cannot-tell", "danger", "rear-left", 0, 9, "").because("stale", "it was stale")}},
			"Cannot tell: 2 answers that were asked for are missing; the first, rear-left: no limit was given."},
	} {
		require.Equal(t, c.want, c.review.headline(c.review.sortFindings()), c.name)
	}
}

// An advice never heads the page, though it be the only thing broken.
func TestAnAdviceIsNoHeadline(t *testing.T) {
	r := properJob()
	r.Findings = append(r.Findings, finding("bled-in-one-go", "broken", "advice", "rear-left", 1, 2, "rear-left was bled in one step"))
	require.Equal(t, "Nothing found. Not shown: 2.", r.headline(r.sortFindings()))
	require.Contains(t, write(t, "text", r), " i ADVICE 1  rear-left was bled in one step.")
}

func TestFindingsInOrder(t *testing.T) {
	r := &Review{Findings: []Finding{
		finding("a", "cannot-tell", "danger", "rear-left", 0, 0, "a").unasked(),
		finding("b", "held", "danger", "rear-left", 0, 0, "b"),
		finding("c", "broken", "advice", "rear-left", 0, 0, "c"),
		finding("d", "broken", "danger", "rear-left", 9, 9, "d"),
		finding("e", "cannot-tell", "advice", "rear-left", 0, 0, "e"),
		finding("f", "broken", "danger", "rear-left", 5, 5, "f"),
		finding("g", "broken", "warning", "rear-left", 0, 0, "g"),
	}}
	names := ""
	for _, f := range r.sortFindings().All {
		names += f.Rule
	}
	require.Equal(t, "fdgcbea", names)
}

func TestThresholdsAreJoined(t *testing.T) {
	r := earlyLowering()
	r.Limits = append(r.Limits, limit("stood-without-pressure", "least_pressure", ptr(1.5), "bar", "card", "rear-right"))
	var lines []string
	for _, l := range r.thresholds() {
		lines = append(lines, l.String())
	}
	require.Equal(t, []string{"least pressure all corners 1 bar gauge (card)", "greatest pressure all corners 11 bar gauge (card)",
		"leak rear-left, rear-right 4 ml/min (card)", "height tolerance rear-left, rear-right 5 mm (card)",
		"run before lowering 120 s (default)", "compressor run none given", "least pressure rear-right 1.5 bar gauge (card)"}, lines)
}

func TestCausesAreJoined(t *testing.T) {
	r := earlyLowering()
	s := r.sortFindings()
	lines := s.notShown()
	require.Len(t, lines, 3)
	require.Equal(t, "not-tight", lines[0].Rule)
	require.True(t, lines[0].Asked)
	require.Equal(t, "rear-left, rear-right", lines[2].About())
}

func TestWhyFallsBackOnTheSummary(t *testing.T) {
	require.Equal(t, "a note", why(&Finding{Note: "a note", Summary: "x, because y"}))
	require.Equal(t, "y", why(&Finding{Summary: "x: cannot tell, because y"}))
	require.Equal(t, "x", why(&Finding{Summary: "x"}))
	require.Equal(t, "the recording does not show it", why(&Finding{}))
}

func TestLeakSentences(t *testing.T) {
	r := earlyLowering()
	require.Equal(t, "rear-right, standing 38:50 to 60:00 at 6.2 bar gauge: loses 18.1 ml/min ANR (14.9 to 21.6, 95 %), limit 4 ml/min, leaking; at this rate 152 mm lower after 12 h.",
		r.Leaks[0].sentence(r))
	require.Equal(t, "front-left, standing 38:50 to 60:00 at 7.6 bar gauge: loses 2.2 ml/min ANR (-0.9 to 5.3, 95 %), limit 4 ml/min, cannot tell; 9 min more would tell.",
		r.Leaks[1].sentence(r))
	bare := Leak{Corner: "rear-left", Regime: "hanging", Outcome: "cannot-tell", Note: "no volume on the card"}
	require.Equal(t, "rear-left, hanging time unknown: no limit given, cannot tell; no volume on the card.", bare.sentence(r))
}

func TestSagSentences(t *testing.T) {
	r := earlyLowering()
	require.Equal(t, "rear-right, 38:50 to 60:00: sank 6.7 mm: 5.3 mm (4.4 to 6.4) by a leak, 1.5 mm (1.0 to 2.1) by cooling, -0.1 mm (-0.9 to 0.7) unexplained.",
		r.Sag[0].sentence(r))
	risen := Sag{Corner: "front-left", Start: clock(0), End: clock(60), DropMM: -2}
	require.Equal(t, "front-left, 00:00 to 01:00: rose 2.0 mm.", risen.sentence(r))
	for _, cause := range []string{"leak", "cooling", "cross-flow", "load", "commanded", "sensor", "under-filled"} {
		require.NotEqual(t, "unexplained", causeWords(cause), cause)
	}
	require.Equal(t, "unexplained", causeWords("unexplained"))
}

func TestIntegrityInWords(t *testing.T) {
	for verdict, want := range map[string]string{"sealed": "proves nothing against the file's owner", "unsealed": "nothing in the file shows whether it was changed",
		"altered": "bytes changed after they were sealed", "cut-short": "the file ends before its last seal", "": "none"} {
		r := &Review{Session: Session{Integrity: verdict}}
		require.Contains(t, r.integrityWords(), want)
		require.Contains(t, r.integrityWords(), "no anchor")
	}
	require.Contains(t, properJob().integrityWords(), "anchored by paper, 4KQ7-M2XD-91TB")
}

func TestGapsAreListedToALimit(t *testing.T) {
	r := wagon(3600)
	require.Empty(t, r.gapWords())
	for i := range 9 {
		r.Record.Gaps = append(r.Record.Gaps, Gap{at(float64(i * 100)), at(float64(i*100 + 50))})
	}
	require.True(t, strings.HasSuffix(r.gapWords(), "08:20 to 09:10, 3 more"), r.gapWords())
}

func TestLeakBars(t *testing.T) {
	r := earlyLowering()
	axis := leakScale(r.Leaks)
	require.Less(t, axis.low, -0.9)
	require.Greater(t, axis.high, 21.6)
	require.NotContains(t, string(leakBar(&r.Leaks[0], axis)), `stroke-dasharray="4 3"`)
	crossing := string(leakBar(&r.Leaks[1], axis))
	require.Contains(t, crossing, `stroke-dasharray="4 3"`, "an interval that crosses its limit is dashed")
	require.Contains(t, crossing, `fill="var(--paper)"`, "and its dot is open")
	require.Equal(t, "no rate without a volume", string(leakBar(&Leak{}, axis)))
	elements(t, crossing)
	elements(t, string(sagBars(&r.Sag[0])))
	elements(t, string(sagBars(&Sag{})))
}

// noNumber finds a coordinate that is none; the texts of a review may hold such a word.
var noNumber = regexp.MustCompile(`(x|y|cx|cy|d|width|height|transform|data-low|data-high)="[^"]*(NaN|Inf|%!)[^"]*"`)

// drawn makes a review out of anything: times in any order and far away, numbers that are none,
// texts of any letters.
func drawn(t *rapid.T) *Review {
	anyText := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"", "rear-left", "held", "broken", "danger", hostile}))
	anyTime := rapid.Custom(func(t *rapid.T) capture.Stamp {
		return rapid.OneOf(rapid.Just(at(0)), rapid.Map(rapid.Float64Range(-100, 5000), at), rapid.Map(rapid.Int64(), func(v int64) capture.Stamp { return capture.Stamp(v) })).Draw(t, "time")
	})
	anyNumber := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-1, 9), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64}))
	r := &Review{Outcome: rapid.SampledFrom([]string{"", WarningGiven, NothingFound, CannotTellAny, "x"}).Draw(t, "outcome")}
	r.Session.File, r.Session.Origin, r.Session.Integrity = anyText.Draw(t, "file"), anyText.Draw(t, "origin"), anyText.Draw(t, "integrity")
	r.Record.Start, r.Record.End, r.Record.Label = anyTime.Draw(t, "start"), anyTime.Draw(t, "end"), anyText.Draw(t, "label")
	for range rapid.IntRange(0, 6).Draw(t, "findings") {
		f := Finding{Rule: anyText.Draw(t, "rule"), Outcome: rapid.SampledFrom([]string{"broken", "held", "cannot-tell", ""}).Draw(t, "outcome"),
			Severity: rapid.SampledFrom([]string{"danger", "warning", "advice", ""}).Draw(t, "severity"), Corner: rapid.SampledFrom([]string{"", "rear-left", "front-right", "x"}).Draw(t, "corner"),
			Summary: anyText.Draw(t, "summary"), Note: anyText.Draw(t, "note"), From0: anyTime.Draw(t, "from"), To0: anyTime.Draw(t, "to")}
		f.Evidence = []Evidence{{Signal: "s", Value: ptr(anyNumber.Draw(t, "value")), Unit: anyText.Draw(t, "unit"), At0: anyTime.Draw(t, "at")}, {Mark: anyText.Draw(t, "mark")}}
		r.Findings = append(r.Findings, f)
		r.Stages = append(r.Stages, Stage{Stage: anyText.Draw(t, "stage"), From0: anyTime.Draw(t, "from"), To0: anyTime.Draw(t, "to")})
		r.Record.Marks = append(r.Record.Marks, Mark{At: anyTime.Draw(t, "at"), Name: anyText.Draw(t, "name")})
		r.Record.Gaps = append(r.Record.Gaps, Gap{anyTime.Draw(t, "from"), anyTime.Draw(t, "to")})
		r.Limits = append(r.Limits, Limit{Name: anyText.Draw(t, "limit"), Value: ptr(anyNumber.Draw(t, "value"))})
		r.Leaks = append(r.Leaks, Leak{RateANR: &Interval{Value: anyNumber.Draw(t, "rate"), Low: anyNumber.Draw(t, "low"), High: anyNumber.Draw(t, "high")}, LimitANR: ptr(anyNumber.Draw(t, "limit"))})
	}
	k := &r.Corners[decode.RearLeft]
	k.Present, k.OnAir, k.Least, k.Series, k.Pressure.Signal = true, true, ptr(anyNumber.Draw(t, "least")), ptr(anyNumber.Draw(t, "series")), "s"
	for range rapid.IntRange(0, 5).Draw(t, "points") {
		k.Pressure.Points = append(k.Pressure.Points, PlotPoint{From: anyTime.Draw(t, "from"), To: anyTime.Draw(t, "to"), Least: anyNumber.Draw(t, "least"),
			Greatest: anyNumber.Draw(t, "greatest"), First: anyNumber.Draw(t, "first"), Last: anyNumber.Draw(t, "last"), Break: rapid.Bool().Draw(t, "break")})
	}
	return r
}

// Whatever a review holds, each format writes it, and what it writes is whole.
func TestAnyReviewIsWritten(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := drawn(rt)
		for _, line := range strings.Split(text(t, r, 60), "\n") {
			if columnsOf(line) > 60 {
				rt.Fatalf("%q is wider than 60", line)
			}
		}
		if form := write(t, "json", r); !json.Valid([]byte(form)) {
			rt.Fatalf("no JSON: %s", form)
		}
		r = whole(r)
		markup, _ := r.drawPlot(r.sortFindings())
		elements(t, markup)
		if none := noNumber.FindString(markup); none != "" {
			rt.Fatalf("the picture holds %s", none)
		}
		require.Contains(t, write(t, "html", r), "</html>")
	})
}
