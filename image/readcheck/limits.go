package readcheck

// Limits are the thresholds of the checks.
type Limits struct {
	LineUnits int // different blocks of 256 bytes that must read the same at both settings of an address line, within a part of the image
	DataBytes int // bytes of content needed before a still data line means anything
	TailBytes int // length of a constant tail worth a caution
	HoleBytes int // length of a constant stretch worth a caution where the map expects content
}

// DefaultLimits returns the thresholds used when a map sets none.
func DefaultLimits() Limits {
	return Limits{LineUnits: 8, DataBytes: 4096, TailBytes: 1024, HoleBytes: 1024}
}
