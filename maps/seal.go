package maps

import "errors"

// Patch is new bytes for an address.
type Patch struct {
	Rule   string
	Addr   uint64
	Before []byte
	After  []byte
}

// Seal computes the stored values that make every failing rule agree.
func (b *Bound) Seal() ([]Patch, error) { return nil, errors.New("x") }

// Schema returns the JSON Schema of the map language.
func Schema() []byte { return nil }
