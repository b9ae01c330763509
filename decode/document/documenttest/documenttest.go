// Package documenttest holds documents against a JSON Schema, for the tests of what reads them.
//
//	YAML text --general-purpose reader--> plain values --general-purpose validator--> schema's verdict
//
// It shares no code with package document, so that schema and loader check each other.
package documenttest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
)

// Schema is a compiled JSON Schema.
type Schema struct {
	schema *jsonschema.Schema
	text   any
}

// Compile compiles the text of a schema; it must be a valid one of draft 2020-12.
func Compile(t testing.TB, text []byte) *Schema {
	t.Helper()
	plain, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	const name = "schema.json"
	require.NoError(t, c.AddResource(name, plain))
	compiled, err := c.Compile(name)
	require.NoError(t, err)
	return &Schema{compiled, plain}
}

// Check returns why the schema refuses a YAML document, or nil. A text that is no YAML, or that a
// general-purpose reader refuses, is refused.
func (s *Schema) Check(text []byte) error {
	var top yaml.Node
	if err := yaml.Unmarshal(text, &top); err != nil {
		return err
	}
	v, err := plain(&top)
	if err != nil {
		return err
	}
	return s.schema.Validate(v)
}

// Keys returns the names of the properties of an object of the schema, found by its path:
// Keys(t, "$defs", "when").
func (s *Schema) Keys(t testing.TB, path ...string) []string {
	t.Helper()
	at := s.text
	for _, name := range append(path, "properties") {
		object, ok := at.(map[string]any)
		require.True(t, ok, "no object above %s of %v", name, path)
		at = object[name]
	}
	properties, ok := at.(map[string]any)
	require.True(t, ok, "no properties at %v", path)
	var keys []string
	for key := range properties {
		keys = append(keys, key)
	}
	return keys
}

// plain turns a node into the values that a JSON reader would have made of it.
func plain(n *yaml.Node) (any, error) {
	switch n.Kind {
	case yaml.DocumentNode:
		return plain(n.Content[0])
	case yaml.SequenceNode:
		list := make([]any, len(n.Content))
		for i, item := range n.Content {
			v, err := plain(item)
			if err != nil {
				return nil, err
			}
			list[i] = v
		}
		return list, nil
	case yaml.MappingNode:
		return plainMap(n)
	case yaml.ScalarNode:
		return plainScalar(n)
	default:
		return nil, fmt.Errorf("line %d: no kind that JSON has", n.Line)
	}
}

func plainMap(n *yaml.Node) (any, error) {
	object := make(map[string]any, len(n.Content)/2)
	for i := 0; i+1 < len(n.Content); i += 2 {
		key := n.Content[i].Value
		if _, twice := object[key]; twice {
			return nil, fmt.Errorf("line %d: key %s twice", n.Content[i].Line, key)
		}
		v, err := plain(n.Content[i+1])
		if err != nil {
			return nil, err
		}
		object[key] = v
	}
	return object, nil
}

func plainScalar(n *yaml.Node) (any, error) {
	switch n.ShortTag() {
	case "!!null":
		return nil, nil
	case "!!bool":
		return n.Value == "true", nil
	case "!!int":
		var v uint64
		if err := n.Decode(&v); err == nil {
			return json.Number(fmt.Sprint(v)), nil
		}
		var signed int64
		err := n.Decode(&signed)
		return json.Number(fmt.Sprint(signed)), err
	case "!!float":
		var v float64
		if err := n.Decode(&v); err != nil {
			return nil, err
		}
		text, err := json.Marshal(v) // fails for infinities, which JSON does not have
		return json.Number(text), err
	default:
		return n.Value, nil
	}
}
