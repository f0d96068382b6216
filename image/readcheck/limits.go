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
	copyBytes int // shortest tail that counts as a copy: short duplicates are ordinary

	shiftPairs   int     // pairs across a point that must speak for a shift there
	orderPairs   int     // pairs of letters that another order of bytes needs
	textBytes    int     // bytes of unbroken text that are looked at
	sessionLines int     // lines that only a session has
	entropyBits  float64 // bits a byte over entropyUnit bytes; random bytes give about 7.95
	entropyBytes int     // length of a run of such units
}

// limitsFor returns the thresholds: those of the [read] section of m, the
// defaults for what it does not set.
func limitsFor(m *maps.Map) limits {
	lim := limits{
		lineUnits: 8, dataBytes: 4096, minRepeat: minBlock, tailBytes: 1024, holeBytes: 1024, copyBytes: 4096, proved: 50,
		shiftPairs: 32, orderPairs: 40, textBytes: 48, sessionLines: 2, entropyBits: 7.9, entropyBytes: 2 * entropyUnit,
	}
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
	set(&lim.copyBytes, m.Read.MinCopyBytes)
	set(&lim.shiftPairs, m.Read.MinShiftPairs)
	set(&lim.orderPairs, m.Read.MinOrderPairs)
	set(&lim.textBytes, m.Read.MinTextBytes)
	set(&lim.sessionLines, m.Read.MinSessionLines)
	set(&lim.entropyBytes, m.Read.MinEntropyBytes)
	lim.entropyBits = cmp.Or(m.Read.MinEntropyBits, lim.entropyBits)
	set(&lim.block, m.Read.TransferBlockBytes)
	return lim
}
