package signaldef

import (
	_ "embed"
	"slices"
)

//go:embed schema.json
var schema []byte

// Schema returns the JSON Schema (draft 2020-12) of the definitions, for editors and for people who
// write definitions by program. A file that passes it may still be refused by Load, which also holds
// the signals of a file against each other.
func Schema() []byte { return slices.Clone(schema) }
