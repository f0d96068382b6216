//go:build purego || !(amd64 || arm64)

package fold

// Without assembly the portable engine is the only one, and neither function
// below is reached.

func assemblyEngines() []string { return nil }

func update(*constants, uint64, []byte) uint64 { panic("fold: built without assembly") }
func mul(*constants, uint64, uint64) uint64    { panic("fold: built without assembly") }
