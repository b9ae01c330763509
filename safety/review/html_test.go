package review

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"
	"testing/quick"

	"github.com/stretchr/testify/require"

	"ridewitness/capture/session"
	"ridewitness/decode"
)

func TestPageHoldsWhatTheTextHolds(t *testing.T) {
	page := write(t, "html", earlyLowering())
	for _, fact := range []string{"SIMULATED, not a vehicle", "outcome: warning", "118 of 1\u2009746\u2009766 frames lost", "packet 774792", "record J41",
		"7F 31 22", "<code>lowered-without-pressure</code>", "rear_right_pressure (proven)", "Rear-right came down on an empty spring.",
		"moved-unasked", "\u22120.9 to 5.3", "no frame for 12:26", "least 1.00", "Worked out:", "Seen:", "Said:", "no anchor",
		"demo-wagon.yaml; 6 proven, 2 assumed, 0 contradicted", "axle alignment measured", "Stored air injures."} {
		require.Contains(t, page, fact)
	}
}

var (
	idPattern   = regexp.MustCompile(` id="([^"]+)"`)
	linkPattern = regexp.MustCompile(` href="([^"]*)"`)
)

// Every link stays within the page and has an end; every finding has its place in the plot and its
// row, every ring its row and every row that names one its ring.
func TestLinksLeadSomewhere(t *testing.T) {
	for _, s := range sessions {
		r := s.review()
		page := write(t, "html", r)
		ids := map[string]int{}
		for _, m := range idPattern.FindAllStringSubmatch(page, -1) {
			ids[m[1]]++
		}
		for id, n := range ids {
			require.Equal(t, 1, n, "%s: id %s", s.name, id)
		}
		links := map[string]bool{}
		for _, m := range linkPattern.FindAllStringSubmatch(page, -1) {
			require.True(t, strings.HasPrefix(m[1], "#"), m[1])
			require.Contains(t, ids, m[1][1:], s.name)
			links[m[1]] = true
		}
		for n := range r.Findings {
			require.True(t, links[fmt.Sprintf("#f%d", n+1)], "%s: nothing leads to finding %d", s.name, n+1)
			require.True(t, links[fmt.Sprintf("#p%d", n+1)], "%s: finding %d has no way to the plot", s.name, n+1)
		}
		for id := range ids {
			if strings.HasPrefix(id, "g") {
				require.True(t, links["#e"+id[1:]], id)
				require.True(t, links["#"+id], id)
			}
		}
	}
}

func TestNoRuleOfThePageStandsBesideHeld(t *testing.T) {
	page := write(t, "html", properJob())
	for _, f := range properJob().Findings {
		if f.Outcome == "held" {
			require.NotContains(t, page, f.Rule)
		} else {
			require.Contains(t, page, f.Rule)
		}
	}
}

func TestPageAsksForNothing(t *testing.T) {
	for _, s := range sessions {
		page := write(t, "html", s.review())
		require.NotRegexp(t, `(?i)https?://|//[a-z]+\.[a-z]|@import|<link|<img|<iframe|url\((?:'|")?[^#)]`, page)
		require.Contains(t, page, "default-src &#39;none&#39;")
		require.NotRegexp(t, ` (style|on[a-z]+)="`, page, "the policy lets no attribute style or script in")
	}
}

func TestHostileTextStaysText(t *testing.T) {
	page := write(t, "html", hostileReview())
	require.NotContains(t, page, "<script>alert")
	require.Equal(t, 1, strings.Count(page, "<script>"))
	require.Equal(t, 1, strings.Count(page, "</style>"))
	require.NotContains(t, page, "\x1b")
	require.NotContains(t, page, "\u202e")
	require.NotContains(t, page, "ZgotmplZ")
	css := page[strings.Index(page, "<style>"):strings.Index(page, "</style>")]
	require.NotContains(t, css, "alert(1)")
}

// A label in the footer ends neither the text nor the style, whatever it holds. Plain letters,
// digits and a few signs stand for themselves; the rest is escaped as in CSS Syntax Level 3.
func TestFooterTextIsEscaped(t *testing.T) {
	require.Equal(t, `a\000022\00007D\00003C\00002Fstyle\00003E`, cssText(`a"}</style>`))
	require.Equal(t, `\00005C`, cssText(`\`))
	require.NoError(t, quick.Check(func(s string) bool {
		return !strings.ContainsAny(strings.ReplaceAll(cssText(s), `\`, ""), "\"'<>{};\n")
	}, nil))
}

func TestEveryOriginStandsInWords(t *testing.T) {
	for origin, words := range map[string]string{"vehicle": "VEHICLE", "virtual": "VIRTUAL, not a vehicle", "simulated": "SIMULATED, not a vehicle",
		"unknown": "UNKNOWN", "": "UNKNOWN"} {
		r := properJob()
		r.Session.Origin = origin
		page := write(t, "html", r)
		require.Contains(t, page, `<span class="origin">`+words, origin)
		require.Contains(t, write(t, "text", r), "origin "+words, origin)
		require.Contains(t, page, "@page { @bottom-left", origin)
	}
}

func TestPanelFollowsTheOutcome(t *testing.T) {
	page := write(t, "html", properJob())
	require.Contains(t, page, `class="verdict nothing-found"`)
	require.Contains(t, page, "Nothing found. Not shown: 2.")
	page = write(t, "html", blind())
	require.Contains(t, page, `class="verdict cannot-tell"`)
	require.Contains(t, page, "<b>Not shown:</b>")
	require.Contains(t, page, "pressure unseen since 28:20, was 0.90 bar gauge")
	altered := properJob()
	altered.Outcome, altered.Session.Integrity = WarningGiven, "altered"
	page = write(t, "html", altered)
	require.Contains(t, page, `class="verdict warning"`)
	require.Contains(t, page, "The file was altered after it was sealed.")
}

// noisy fills every column of every panel with another least and greatest value, as an hour of four
// corners with busy sensors does.
func noisy() *Review {
	r := earlyLowering()
	for _, c := range decode.Corners {
		for _, plot := range []*Plot{&r.Corners[c].Pressure, &r.Corners[c].Height} {
			var points []PlotPoint
			for i := range 1024 {
				s := float64(i) * 3600 / 1024
				v := 4 + 3*math.Sin(s/100)
				if plot.Unit == "mm" {
					v = 400 + 60*math.Sin(s/100)
				}
				w := 0.1 * v * math.Abs(math.Sin(s*7))
				points = append(points, PlotPoint{From: at(s), To: at(s + 3), Least: v - w, Greatest: v + w, First: v, Last: v + w/2})
			}
			plot.Points = points
		}
	}
	return r
}

func TestAnHourOfFourCornersIsSmall(t *testing.T) {
	const most = 300 << 10
	require.Less(t, len(write(t, "html", noisy())), most)
}

func TestExitFollowsTheOutcome(t *testing.T) {
	for _, c := range []struct {
		outcome, integrity string
		want               Exit
	}{
		{NothingFound, "sealed", 0}, {NothingFound, "unsealed", 0}, {WarningGiven, "sealed", 3}, {CannotTellAny, "sealed", 4},
		{NothingFound, "altered", 3}, {CannotTellAny, "altered", 3}, {NothingFound, "cut-short", 4}, {WarningGiven, "cut-short", 3}, {"", "", 4},
	} {
		r := &Review{Outcome: c.outcome}
		r.Session.Integrity = c.integrity
		require.Equal(t, c.want, r.Exit(), "%s, %s", c.outcome, c.integrity)
	}
}

func TestAMendedCopyEndsLikeACutFile(t *testing.T) {
	from := session.CutShort.String()
	r := &Review{Outcome: NothingFound}
	r.Session.Integrity, r.Session.MendedFrom = session.Sealed.String(), &from
	require.Equal(t, Exit(4), r.Exit())
}

func TestAPartOfARecordingIsNeverTheWhole(t *testing.T) {
	before := "job.pcapng"
	r := &Review{}
	r.Session.Integrity, r.Session.GoesOnFrom = session.Sealed.String(), &before
	require.Equal(t, CannotTellAny, r.outcome())
	r.Outcome = NothingFound // whoever says so
	require.Equal(t, Exit(4), r.Exit())
	r.Outcome = CannotTellAny
	for format, words := range map[string]string{"text": "record: sealed, goes on from job.pcapng", "html": "goes on from job.pcapng", "json": `"goes_on_from": "job.pcapng"`} {
		page := write(t, format, r)
		require.Contains(t, page, words, format)
		if format != "json" {
			require.Contains(t, strings.Join(strings.Fields(page), " "), "Cannot tell: this goes on from job.pcapng, and what was recorded there is judged there.")
		}
	}
}

func TestAnEmptyReviewIsWritten(t *testing.T) {
	page := write(t, "html", &Review{})
	require.Contains(t, page, "CANNOT TELL")
	require.Contains(t, page, "UNKNOWN")
	require.Contains(t, write(t, "text", &Review{}), "Cannot tell: nothing that was asked could be judged.")
}
