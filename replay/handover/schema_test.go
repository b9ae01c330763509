package handover

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/decode/document/documenttest"
)

// handedOver is the report of every story, and of one that was handed over, in JSON.
func handedOver(t *testing.T) map[string]string {
	t.Helper()
	all := map[string]string{}
	put := func(name string, r *Report) {
		body, err := json.Marshal(r)
		require.NoError(t, err)
		all[name] = string(body)
	}
	for name, story := range stories {
		put(name, report(t, story(t)))
	}
	r := report(t, stories["open"](t))
	r.Hand(r.Journal("L. Example", "K. Example", ""), stories["open"](t).end.Add(time.Minute), 12)
	put("just handed", r)
	return all
}

func TestJSONFollowsItsSchema(t *testing.T) {
	schema := documenttest.Compile(t, SchemaDocument())
	for name, body := range handedOver(t) {
		require.NoError(t, schema.Check([]byte(body)), name)
	}
}

func TestSchemaRefusesWhatScriptsCouldNotRead(t *testing.T) {
	schema := documenttest.Compile(t, SchemaDocument())
	body := handedOver(t)["just handed"]
	for name, change := range map[string][2]string{
		"a word of our own":        {`"lowering":"do-not-lower"`, `"lowering":"fine"`},
		"against what":             {`"against":"line-open"`, `"against":"something"`},
		"a list that is null":      {`"refused":[]`, `"refused":null`},
		"a count that is text":     {`"refused_all":0`, `"refused_all":"0"`},
		"a time without fractions": {`"start":"2026-05-11T08:00:00.000000000Z"`, `"start":"2026-05-11T08:00:00Z"`},
		"no sight":                 {`"sight":"watching",`, ``},
		"an empty sentence":        {`"cannot_tell":[]`, `"cannot_tell":[""]`},
		"handed to nobody":         {`"to":"L. Example",`, ``},
	} {
		changed := strings.Replace(body, change[0], change[1], 1)
		require.NotEqual(t, body, changed, name)
		require.Error(t, schema.Check([]byte(changed)), name)
	}
}

// TestSchemaNamesEveryField holds the schema to the fields as they are in the program.
func TestSchemaNamesEveryField(t *testing.T) {
	var schema map[string]any
	require.NoError(t, json.Unmarshal(SchemaDocument(), &schema))
	inside := func(of map[string]any, path ...string) map[string]any {
		for _, key := range path {
			next, is := of[key].(map[string]any)
			require.True(t, is, path)
			of = next
		}
		return of
	}
	for _, c := range []struct {
		of   any
		path []string
	}{
		{Report{}, nil}, {Record{}, []string{"properties", "record"}}, {Corner{}, []string{"properties", "corners", "items"}},
		{Refusal{}, []string{"properties", "refused", "items"}}, {Warning{}, []string{"properties", "warnings", "items"}},
		{Mark{}, []string{"properties", "marks", "items"}}, {Handed{}, []string{"$defs", "handed"}},
	} {
		part := inside(schema, c.path...)
		var names, needed []string
		for name := range inside(part, "properties") {
			names = append(names, name)
		}
		for _, name := range part["required"].([]any) {
			needed = append(needed, name.(string))
		}
		var fields, always []string
		for f := range reflect.TypeOf(c.of).Fields() {
			if name, options, _ := strings.Cut(f.Tag.Get("json"), ","); name != "" {
				fields = append(fields, name)
				if options == "" {
					always = append(always, name)
				}
			}
		}
		require.ElementsMatch(t, fields, names, "%T", c.of)
		require.ElementsMatch(t, always, needed, "%T: what is always there", c.of)
	}
}
