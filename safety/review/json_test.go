package review

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document/documenttest"
)

// closed returns the schema with every object closed against unknown fields, so that the test sees
// a field which the schema does not describe.
func closed(t *testing.T) *documenttest.Schema {
	t.Helper()
	var plain map[string]any
	require.NoError(t, json.Unmarshal(SchemaDocument(), &plain))
	objects := 0
	var walk func(any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			if v["type"] == "object" {
				v["additionalProperties"] = false
				objects++
			}
			for _, inner := range v {
				walk(inner)
			}
		case []any:
			for _, inner := range v {
				walk(inner)
			}
		}
	}
	walk(plain)
	require.Greater(t, objects, 8)
	text, err := json.Marshal(plain)
	require.NoError(t, err)
	return documenttest.Compile(t, text)
}

func TestJSONFollowsItsSchema(t *testing.T) {
	open, strict := documenttest.Compile(t, SchemaDocument()), closed(t)
	for _, s := range sessions {
		text := []byte(write(t, "json", s.review()))
		require.NoError(t, open.Check(text), s.name)
		require.NoError(t, strict.Check(text), s.name)
	}
}

func TestSchemaRefusesWhatScriptsCouldNotRead(t *testing.T) {
	schema := documenttest.Compile(t, SchemaDocument())
	text := write(t, "json", earlyLowering())
	for name, change := range map[string][2]string{
		"an outcome of our own":    {`"outcome": "warning"`, `"outcome": "fine"`},
		"a count that is text":     {`"lost": 118`, `"lost": "118"`},
		"a list that is null":      {`"anchors": []`, `"anchors": null`},
		"a time without fractions": {`"start": "2026-03-02T09:14:00.000000000Z"`, `"start": "2026-03-02T09:14:00Z"`},
		"a reason of our own":      {`"reason": "gap"`, `"reason": "tired"`},
		"no reason":                {`"reason": "gap",`, ``},
	} {
		changed := strings.Replace(text, change[0], change[1], 1)
		require.NotEqual(t, text, changed, name)
		require.Error(t, schema.Check([]byte(changed)), name)
	}
}

func TestAnEmptyReviewHasListsAndNulls(t *testing.T) {
	var r Review
	var got map[string]any
	require.NoError(t, json.Unmarshal([]byte(write(t, "json", &r)), &got))
	require.Equal(t, "ridewitness/review/1", got["schema"])
	for _, name := range []string{"stages", "findings", "limits", "leaks", "sag"} {
		require.Equal(t, []any{}, got[name], name)
	}
	session := got["session"].(map[string]any)
	require.Equal(t, []any{}, session["anchors"])
	require.Equal(t, []any{}, session["buses"])
	require.Contains(t, session, "lost")
	require.Nil(t, session["lost"])
}

func TestNumbersThatAreNoneAreUnknown(t *testing.T) {
	r := earlyLowering()
	nan := math.NaN()
	r.Leaks[0].Rate.High = math.Inf(1)
	r.Leaks[0].NeedsS = &nan
	r.Limits[0].Value = &nan
	r.Findings[0].Evidence = append(r.Findings[0].Evidence, value(3, "x", nan, "bar", "gauge", 3))
	text := write(t, "json", r)
	require.NoError(t, documenttest.Compile(t, SchemaDocument()).Check([]byte(text)))
	require.True(t, math.IsInf(r.Leaks[0].Rate.High, 1), "the review itself stays as it is")
	var got struct {
		Leaks  []map[string]any
		Limits []map[string]any
	}
	require.NoError(t, json.Unmarshal([]byte(text), &got))
	require.Nil(t, got.Leaks[0]["rate"])
	require.Nil(t, got.Leaks[0]["needs_s"])
	require.Nil(t, got.Limits[0]["value"])
}

// What a script relies on is read back with nothing but the names of the published form.
func TestJSONSaysWhatTheReviewSays(t *testing.T) {
	var got struct {
		Outcome  string
		Session  struct{ Lost *int }
		Findings []struct {
			Rule, Outcome, Corner string
			Asked                 bool
			Evidence              []struct {
				Signal, Mark, Message, Unit string
				Value                       *float64
				Frame, Record               int
			}
		}
	}
	require.NoError(t, json.Unmarshal([]byte(write(t, "json", earlyLowering())), &got))
	require.Equal(t, "warning", got.Outcome)
	require.Equal(t, 118, *got.Session.Lost)
	for _, f := range got.Findings {
		if f.Rule != "lowered-without-pressure" || f.Outcome != "broken" {
			continue
		}
		require.Equal(t, "rear-right", f.Corner)
		require.True(t, f.Asked)
		require.Equal(t, 774792, f.Evidence[0].Frame)
		require.Equal(t, 0.65, *f.Evidence[0].Value)
		require.Equal(t, 41, f.Evidence[3].Record)
		require.Nil(t, f.Evidence[3].Value)
		return
	}
	require.Fail(t, "the early lowering is not in the JSON form")
}
