package maps

import (
	_ "embed"
	"slices"
)

//go:embed schema.json
var schema []byte

// Schema returns the JSON Schema (2020-12) of the map language, with
// descriptions, for editors: a map whose first line is
// "#:schema ./schema.json" is completed and explained while it is written. It
// is generated from the types of this package by its tests.
func Schema() []byte { return slices.Clone(schema) }
