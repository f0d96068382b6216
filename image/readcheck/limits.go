package readcheck

import (
	"cmp"

	"example.com/calproof/maps"
)

// limits are the thresholds of the checks.
type limits struct {
	lineUnits int // different blocks of 256 bytes that must read the same at both settings of an address line, within a part of the image
	dataBytes int // bytes of content needed before a still data line means anything
	minRepeat int // smallest block whose repetition counts
	block     int // size of the transfer blocks, 0 if not known
	tailBytes int // length of a constant tail worth a caution
	proved    int // percent of the content that agreeing rules must cover for a pass
	holeBytes int // length of a constant stretch worth a caution where the map expects content
}

// limitsFor returns the thresholds: those of the [read] section of m, the
// defaults for what it does not set.
func limitsFor(m *maps.Map) limits {
	lim := limits{lineUnits: 8, dataBytes: 4096, minRepeat: minBlock, tailBytes: 1024, holeBytes: 1024, proved: 50}
	if m == nil {
		return lim
	}
	set := func(to *int, v uint64) {
		if v > 0 {
			*to = int(min(v, 1<<30))
		}
	}
	set(&lim.holeBytes, m.Read.MinHoleBytes)
	set(&lim.tailBytes, cmp.Or(m.Read.MinTailBytes, m.Read.MinHoleBytes))
	set(&lim.lineUnits, m.Read.MinLineBlocks)
	set(&lim.dataBytes, m.Read.MinDataBytes)
	set(&lim.proved, m.Read.MinProvedPercent)
	set(&lim.minRepeat, m.Read.MinRepeatBytes)
	set(&lim.block, m.Read.TransferBlockBytes)
	return lim
}
