package review_test

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode/document/documenttest"
	"ridewitness/safety/review"
)

// part is a Source that keeps the frames of a stretch of another one, so that one recorded night makes
// two sessions: the evening and the morning.
type part struct {
	capture.Source
	from, to capture.Stamp
}

// Next implements capture.Source.
func (p *part) Next(ctx context.Context, into *capture.Batch) error {
	for {
		if err := p.Source.Next(ctx, into); err != nil {
			return err
		}
		into.Frames = slices.DeleteFunc(into.Frames, func(f capture.Frame) bool { return f.At < p.from || f.At >= p.to })
		into.Events = slices.DeleteFunc(into.Events, func(e capture.Event) bool {
			return e.Kind == capture.EventJournal && (e.At < p.from || e.At >= p.to)
		})
		for i := range into.Events {
			into.Events[i].Index = min(into.Events[i].Index, len(into.Frames))
		}
		if len(into.Frames)+len(into.Events) > 0 {
			return nil
		}
	}
}

// halves reviews the two ends of a recorded night as two sessions.
func halves(t *testing.T, name string) (a, b *review.Review) {
	t.Helper()
	base := filepath.Join("../../testdata/sessions", name)
	whole := reviewPart(t, base, 0, 1<<62)
	middle := whole.Record.Start + (whole.Record.End-whole.Record.Start)/2
	return reviewPart(t, base, 0, middle), reviewPart(t, base, middle, 1<<62)
}

func reviewPart(t *testing.T, base string, from, to capture.Stamp) *review.Review {
	source, signals, card, _ := openForeign(t, base)
	r, err := review.Run(context.Background(), review.Input{Source: &part{source, from, to}, File: filepath.Base(base), Signals: signals, Card: card})
	require.NoError(t, err)
	return r
}

// TestCompareSaysWhyTheVehicleSank sets the evening of a night against its morning: the sag between
// the two sessions is the one that an independent simulator made.
func TestCompareSaysWhyTheVehicleSank(t *testing.T) {
	for _, c := range []struct {
		name, corner, cause string
		mm                  float64 // from the recording's truth file
	}{
		{"overnight-leak-101", "front-right", "leak", 26.08},
		{"overnight-leak-101", "rear-left", "cooling", 25.18},
		{"overnight-cool-101", "front-left", "cooling", 20.41},
		{"cross-flow-101", "rear-left", "cross-flow", 20.30},
		{"cross-flow-101", "rear-right", "cross-flow", -22.47},
	} {
		t.Run(c.name+" "+c.corner, func(t *testing.T) {
			evening, morning := halves(t, c.name)
			got := review.Compare(evening, morning)
			require.True(t, got.Comparable, "%v", got.Reasons)
			i := slices.IndexFunc(got.Sag, func(s review.Sag) bool { return s.Corner == c.corner })
			require.GreaterOrEqual(t, i, 0, got.SagNote)
			k := slices.IndexFunc(got.Sag[i].Causes, func(p review.Cause) bool { return p.Cause == c.cause })
			require.GreaterOrEqual(t, k, 0, "%+v", got.Sag[i])
			require.InDelta(t, c.mm, got.Sag[i].Causes[k].MM, 2)
			require.NotEmpty(t, got.Sag[i].Sentence)
		})
	}
}

// TestCompareTheOtherWayRound: which session is named first does not matter to what happened between.
func TestCompareTheOtherWayRound(t *testing.T) {
	evening, morning := halves(t, "overnight-leak-101")
	require.Equal(t, review.Compare(evening, morning).Sag, review.Compare(morning, evening).Sag)
}

func TestCompareRefuses(t *testing.T) {
	base := "../../testdata/sessions/"
	wagon := reviewPart(t, base+"linkage-101", 0, 1<<62)
	coach := reviewPart(t, base+"overnight-cool-101", 0, 1<<62)
	other := reviewPart(t, base+"proper-car-101", 0, 1<<62)
	c := review.Compare(wagon, coach)
	require.False(t, c.Comparable)
	require.Contains(t, strings.Join(c.Reasons, "; "), "two vehicles")
	require.Empty(t, c.Sag)
	c = review.Compare(wagon, other)
	require.False(t, c.Comparable)
	require.Contains(t, strings.Join(c.Reasons, "; "), "defined otherwise")
	unlabelled := reviewPart(t, base+"linkage-101", 0, 1<<62)
	unlabelled.Record.Label = ""
	require.Contains(t, strings.Join(review.Compare(wagon, unlabelled).Reasons, "; "), "no vehicle label")
}

// TestCompareFormats: the JSON follows its schema, text and page hold the same sentences, and none of
// them claims more than it may.
func TestCompareFormats(t *testing.T) {
	schema := documenttest.Compile(t, review.CompareSchemaDocument())
	evening, morning := halves(t, "overnight-leak-101")
	wagon := reviewPart(t, "../../testdata/sessions/linkage-101", 0, 1<<62)
	for _, c := range []*review.Comparison{review.Compare(evening, morning), review.Compare(evening, wagon)} {
		text, err := json.Marshal(c)
		require.NoError(t, err)
		require.NoError(t, schema.Check(text))
		var page, lines bytes.Buffer
		require.NoError(t, review.WriteCompareHTML(&page, c))
		require.NoError(t, review.WriteCompareText(&lines, c, 80))
		for _, said := range append(slices.Clone(c.Reasons), c.Differences...) {
			require.Contains(t, flat(page.String()), flat(said))
			require.Contains(t, flat(lines.String()), flat(said))
		}
		for _, out := range []string{page.String(), lines.String()} {
			require.Contains(t, out, "Witness, not an interlock")
			require.NotRegexp(t, `(?i)\b(safe|ok|ready|green|all clear)\b`, out)
		}
		for _, line := range strings.Split(lines.String(), "\n") {
			require.LessOrEqual(t, len([]rune(line)), 80)
		}
		require.NotContains(t, page.String(), "http:")
	}
}

// flat folds case and white space, and the minus sign of pages into that of texts.
func flat(s string) string {
	return strings.Join(strings.Fields(strings.ToLower(strings.NewReplacer("\u2212", "-", "&#39;", "'").Replace(s))), " ")
}
