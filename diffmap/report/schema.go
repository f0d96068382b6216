package report

import (
	_ "embed"
	"slices"
)

//go:embed schema.json
var schema []byte

// Schema returns the JSON Schema (draft 2020-12) of the documents that [JSON]
// writes: the envelope, and the data of every command.
func Schema() []byte { return slices.Clone(schema) }
