package scenario

import (
	_ "embed"
	"slices"
)

//go:embed schema.json
var schema []byte

// Schema returns the JSON Schema (draft 2020-12) of scenario files, for editors. A file that passes
// it may still be refused by Load, which also knows units, ranges and the moments of the job.
func Schema() []byte { return slices.Clone(schema) }
