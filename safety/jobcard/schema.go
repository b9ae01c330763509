package jobcard

import (
	_ "embed"
	"slices"
)

//go:embed schema.json
var schema []byte

// Schema returns the JSON Schema (draft 2020-12) of job cards, for editors and for people who write
// cards by program. A card that passes it may still be refused by Load, which also holds the parts
// of a card against each other.
func Schema() []byte { return slices.Clone(schema) }
