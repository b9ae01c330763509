package handover

import (
	_ "embed"
	"slices"
)

//go:embed schema.json
var schemaDocument []byte

// SchemaDocument returns the JSON Schema (draft 2020-12) of the JSON form, for those who read it by program.
// It lets unknown fields pass: later versions may add some, and change none.
func SchemaDocument() []byte { return slices.Clone(schemaDocument) }
