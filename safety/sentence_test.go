package safety

import (
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
)

// unwanted are words that no output of the tool may hold: who reads them stops looking.
var unwanted = regexp.MustCompile(`(?i)\b(safe|ok|ready|all clear|green)\b`)

func TestRulesPromiseNothing(t *testing.T) {
	for _, r := range Rules {
		for _, text := range []string{r.Title, r.Doc, r.Source} {
			require.NotRegexp(t, unwanted, text, r.Name)
		}
		for _, name := range r.Limits {
			require.NotRegexp(t, unwanted, name.Text(), r.Name)
		}
	}
	for _, k := range MarkKinds {
		require.NotRegexp(t, unwanted, k.Means, k.Name)
	}
	for reason, words := range reasonWords {
		require.NotRegexp(t, unwanted, words, string(reason))
	}
}

// TestEverySentence reads what every rule says over every timeline: one sentence per outcome, none
// that a hurried reader could take for a promise, and no rule's name beside what it held ('lowered
// without pressure: held' reads as its opposite).
func TestEverySentence(t *testing.T) {
	spoke := map[*Rule]map[Outcome]bool{}
	for _, path := range timelineFiles(t) {
		for _, f := range readTimeline(t, path).judge(-1).Findings() {
			if spoke[f.Rule] == nil {
				spoke[f.Rule] = map[Outcome]bool{}
			}
			spoke[f.Rule][f.Outcome] = true
			checkSentence(t, path, f)
		}
	}
	for _, r := range Rules {
		require.True(t, spoke[r][Broken], "%s is never broken", r.Name)
		require.Equal(t, r != oneSideOnly, spoke[r][CannotTell], "%s cannot tell", r.Name) // the card alone decides that one
		require.Equal(t, r != loweredWithNoFillSeen, spoke[r][Held], "%s held", r.Name)
	}
}

func checkSentence(t *testing.T, path string, f Finding) {
	t.Helper()
	require.NotEmpty(t, f.Summary, path)
	require.NotRegexp(t, unwanted, f.Summary+" "+f.Note, path)
	require.NotRegexp(t, `\.$|%!|\n|NaN|Inf`, f.Summary, path)
	switch f.Outcome {
	case Held:
		require.NotContains(t, f.Summary, f.Rule.Name, path)
		require.Empty(t, f.Reason, path)
		for _, word := range promises {
			require.NotContains(t, f.Summary, word, path)
		}
	case Broken:
		require.Empty(t, f.Reason, path)
	default:
		require.NotEmpty(t, f.Reason, path)
		require.Contains(t, f.Summary, "cannot tell, because", path)
	}
}
