package review

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func text(t testing.TB, r *Review, columns int) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, WriteText(&b, r, columns))
	return b.String()
}

// forbidden are the words that nobody may read into a review.
var forbidden = regexp.MustCompile(`(?i)\b(safe|ok|ready|all clear|green)\b`)

func TestNoFormatHoldsAWordThatPromises(t *testing.T) {
	for _, s := range sessions {
		for _, f := range Formats {
			require.Empty(t, forbidden.FindAllString(write(t, f.Name, s.review()), -1), s.name+" "+f.Name)
		}
	}
	require.True(t, forbidden.MatchString(`data-x="all-is" title='OK'`))
	require.False(t, forbidden.MatchString("already unsafely"))
}

func TestTextKeepsToItsWidthAndCutsNothing(t *testing.T) {
	for _, s := range sessions {
		words := strings.Fields(text(t, s.review(), 1000))
		for _, columns := range []int{80, 60, 40} {
			t.Run(fmt.Sprintf("%s/%d", s.name, columns), func(t *testing.T) {
				got := text(t, s.review(), columns)
				for _, line := range strings.Split(got, "\n") {
					require.LessOrEqual(t, len(line), columns, line)
					require.Equal(t, strings.TrimRight(line, " "), line)
				}
				// All words are there in the same order; a long name may be broken over lines.
				require.Equal(t, strings.Join(words, ""), strings.Join(strings.Fields(got), ""))
			})
		}
	}
}

func TestTextAtNarrowWidthMatchesItsGoldenFile(t *testing.T) {
	golden(t, "early-lowering.40.text", text(t, earlyLowering(), 40))
}

// ruleNames are the names that must not stand beside 'held'.
func ruleNames(r *Review) []string {
	var names []string
	for _, f := range r.Findings {
		names = append(names, f.Rule)
	}
	return names
}

func TestNoRuleStandsBesideHeld(t *testing.T) {
	for _, s := range sessions {
		r := s.review()
		inside := false
		for _, line := range strings.Split(text(t, r, 80), "\n") {
			inside = strings.HasPrefix(line, " o ") || inside && strings.HasPrefix(line, "  ")
			if !inside && !strings.Contains(line, "held") {
				continue
			}
			for _, name := range ruleNames(r) {
				require.NotContains(t, line, name)
			}
		}
	}
}

func TestTextPutsTheWorstFirst(t *testing.T) {
	got := text(t, earlyLowering(), 80)
	order := []string{"origin SIMULATED", "outcome: warning", "record: sealed, no anchor", "!! DANGER 1  rear-right came down on an empty spring",
		"!! DANGER 2", " ! WARNING 3", " ! WARNING 4", " ! WARNING 5", " i ADVICE 6", " i ADVICE 7", "worked out rear-right", " o 10 held", " ? not shown, because", "limits", "Witness"}
	last := -1
	for _, what := range order {
		i := strings.Index(got, what)
		require.Greater(t, i, last, what)
		last = i
	}
}

func TestWhatNobodyKnowsReadsAsUnknown(t *testing.T) {
	got := text(t, blind(), 200)
	require.Contains(t, got, "origin UNKNOWN")
	require.Contains(t, got, "lost frames unknown: nobody counted")
	require.Contains(t, got, "outcome: cannot-tell")
	require.Contains(t, got, "Cannot tell: the file is cut short.")
	require.Contains(t, got, "greatest pressure none given")
	require.Contains(t, got, "job card   none")
}

// An evidence of what frames show is seen, even where the finding was worked out from it.
func TestClassesKeepApart(t *testing.T) {
	for _, line := range strings.Split(text(t, earlyLowering(), 200), "\n") {
		trimmed := strings.TrimSpace(line)
		switch {
		case strings.HasPrefix(trimmed, "seen "), strings.HasPrefix(trimmed, "worked out "):
			require.NotContains(t, line, "mark '", line)
			require.NotContains(t, line, "record J", line)
		case strings.HasPrefix(trimmed, "said "):
			require.NotContains(t, line, "packet ", line)
			require.NotContains(t, line, "ANR", line)
		}
		if strings.HasPrefix(trimmed, "worked out ") {
			require.NotContains(t, line, "packet ", line)
		}
	}
}

// hostile is what a label may hold: escape sequences, a line end, markup, letters of two columns,
// a mark that turns the line around.
const hostile = "\x1b[2J\x1b]0;x\x07<script>alert(1)</script>\"'>&\r\n\u202eevil\u009b31m\u0301 \u8eca\u4e21\u8eca\u4e21 {{.}} %s \u2028x"

// hostileReview puts it wherever a file or a card can put a text.
func hostileReview() *Review {
	r := earlyLowering()
	r.Session.File, r.Session.Anchors = hostile, []string{hostile}
	r.Session.Buses[0].Name = hostile
	rec := &r.Record
	rec.Label, rec.Job, rec.Card, rec.IntegrityNote = hostile, hostile, hostile, hostile
	for _, l := range []*[]string{&rec.Definitions, &rec.Replaced, &rec.NotDecoded, &rec.Unreadable, &rec.Said, &rec.Damage, &rec.NotAirSprung} {
		*l = []string{hostile}
	}
	rec.Marks = append(rec.Marks, Mark{At: at(50), Name: hostile, Corner: hostile, Value: hostile})
	rec.Losses[0].Bus = hostile
	for i := range r.Findings {
		f := &r.Findings[i]
		f.Summary, f.Source, f.Note, f.Title, f.RestsOn = hostile, hostile, hostile, hostile, []string{hostile}
		f.Evidence = append(f.Evidence, Evidence{Signal: hostile, Unit: hostile, Value: ptr(1.0), At0: at(9)}, Evidence{Mark: hostile, At0: at(9)},
			Evidence{Signal: hostile, State: hostile, At0: at(9)}, Evidence{Message: hostile, At0: at(9)})
	}
	for i := range r.Stages {
		r.Stages[i].Stage, r.Stages[i].Corners = hostile, []string{hostile}
	}
	r.Limits = append(r.Limits, limit(hostile, hostile, ptr(1.0), hostile, hostile, hostile))
	r.Leaks[0].Note, r.Leaks[0].Corner = hostile, hostile
	r.Sag[0].Note, r.Sag[0].Corner, r.Sag[0].Sentence = hostile, hostile, hostile
	r.Sag[0].Causes[0].Note = hostile
	for i := range r.Corners {
		r.Corners[i].Last, r.Corners[i].Pressure.Signal, r.Corners[i].Height.Signal = hostile, hostile, hostile
	}
	return r
}

func TestHostileTextMovesNoCursor(t *testing.T) {
	for _, columns := range []int{80, 40} {
		got := text(t, hostileReview(), columns)
		for _, line := range strings.Split(got, "\n") {
			require.LessOrEqual(t, columnsOf(line), columns, line)
			for _, c := range line {
				require.False(t, unicode.Is(unicode.C, c), "%q in %q", c, line)
			}
		}
	}
}

// Widths as in Unicode Standard Annex 11: an ideograph takes two columns, a combining accent none.
func TestColumnsOf(t *testing.T) {
	require.Equal(t, 4, columnsOf("車両"))
	require.Equal(t, 1, columnsOf("e\u0301"))
	require.Equal(t, 3, columnsOf("abc"))
}

func TestWrapLosesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[a-zA-Z車é ]{0,60}`).Draw(t, "text")
		first, rest := rapid.IntRange(2, 30).Draw(t, "first"), rapid.IntRange(2, 30).Draw(t, "rest")
		lines := wrap(s, first, rest)
		for i, l := range lines {
			room := rest
			if i == 0 {
				room = first
			}
			if columnsOf(l) > room {
				t.Fatalf("%q is wider than %d", l, room)
			}
		}
		got, want := strings.Join(strings.Fields(strings.Join(lines, " ")), ""), strings.Join(strings.Fields(s), "")
		if got != want {
			t.Fatalf("%q became %q", want, got)
		}
	})
}
