//go:build (amd64 || arm64) && !purego

package fold

// The contract of every assembly kernel, one set per architecture.

// update carries a register over at least 16 bytes. The register comes in
// memory order (see tables) and leaves in its own form.
//
//go:noescape
func update(c *constants, reg uint64, data []byte) uint64

// mul multiplies two registers modulo P'.
//
//go:noescape
func mul(c *constants, a, b uint64) uint64
