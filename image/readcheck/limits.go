package readcheck

import (
	"cmp"

	"example.com/calproof/maps"
)

// limits are the thresholds of the checks.
type limits struct {
	lineUnits    int // different blocks of 256 bytes that must read the same at both settings of an address line, within a part of the image
	lowUnits     int // the same for lines 0 to 7: tables of doubled constants do that over a kilobyte or two
	wholeUnits   int // the same over a whole image in which nothing contradicts it
	rich         richness
	dataBytes    int     // bytes of content needed before a still data line means anything
	textShare    float64 // of text in content; above it bit 7 is 0 because the content is text
	highShare    float64 // of bytes of 0x80 and up in the other lanes; below it bit 7 may be 0 by chance in one
	stillLines   int     // more lines at rest than this over a part are a table of small values
	minRepeat    int     // smallest block whose repetition counts
	repeatScore  float64 // score from which a repetition is a block delivered again
	repeatValues int     // different byte values a block needs
	block        int     // size of the transfer blocks, 0 if not known
	tailBytes    int     // length of a constant tail worth a caution
	tailShare    float64 // of the image; a shorter tail is ordinary padding
	holeBytes    int     // length of a constant stretch worth a caution where the map expects content
	region       int     // smallest region that is called blank: a flag of a few bytes may well hold one value
	copyBytes    int     // shortest tail that counts as a copy: short duplicates are ordinary

	proved    int // percent of the content that agreeing rules must cover for a pass
	proofBits int // width of a rule whose agreeing proves what it covers
	ruleShift int // bytes lost or doubled that are tried on rules that fail

	shiftScore         float64 // points from which the phases of patterns show a byte lost or doubled
	shiftWindows       int     // windows that must show so, in front and behind
	shiftEndWindows    int     // windows behind it near the end of the image, ...
	shiftEndScore      float64 // ... with so many points
	shiftCalls         int     // places called in front beside which calls must lead
	shiftRefs          int     // places one byte beside which calls and addresses of texts must lead across a place
	shiftJumps         int     // the same for jumps, amid code
	shiftFunctions     int     // places one byte beside multiples of 16 that must be called
	shiftReturns       int     // functions that must end one byte beside multiples of the word
	exchangeNats       float64 // evidence that two address lines are exchanged needs, and ...
	exchangeDeviations float64 // standard deviations
	orderPairs         int     // pairs of letters that another order of bytes needs, ...
	orderRatio         float64 // times the pairs of the image as it is, and ...
	orderDeviations    float64 // standard deviations more
	wordLetters        int     // letters in a row that make a word
	textBytes          int     // bytes of unbroken text that are looked at
	textFile           float64 // share of text from which the image is a text file
	sessionLines       int     // lines that only a session has
	entropyBits        float64 // bits a byte over entropyUnit bytes; random bytes give about 7.95
	entropyBytes       int     // length of a run of such units

	readShift     int // bytes lost or doubled that are tried between two reads
	causeBytes    int // fewer differing bytes prove no cause
	causeMiss     int // percent of them that a cause may leave open
	directionBits int // differing bits that must all go one way before it means anything
	stretchGap    int // equal bytes that still belong to one differing stretch
	blockFit      int // percent of the differing stretches that must keep to transfer blocks
}

// limitsFor returns the thresholds: those of the [read] section of m, the
// defaults for what it does not set.
func limitsFor(m *maps.Map) limits {
	lim := limits{
		lineUnits: 8, wholeUnits: 2, rich: richness{values: richValues, top: richTop},
		dataBytes: 4096, textShare: 0.9, highShare: 0.1, stillLines: 2,
		minRepeat: minBlock, repeatScore: 2.75, repeatValues: 8, tailBytes: 1024, tailShare: 1.0 / 64, holeBytes: 1024, region: 16, copyBytes: 4096,
		proved: 50, proofBits: 16, ruleShift: 4,
		shiftScore: 6.25, shiftWindows: 8, shiftEndWindows: 2, shiftEndScore: 7, shiftCalls: 3, shiftRefs: 6, shiftJumps: 2, shiftFunctions: 8, shiftReturns: 6, exchangeNats: 6, exchangeDeviations: 2.5, orderPairs: 40, orderRatio: 1.4, orderDeviations: 4.5, wordLetters: 5,
		textBytes: 48, textFile: 0.95, sessionLines: 2, entropyBits: 7.9, entropyBytes: 2 * entropyUnit,
		readShift: 16, causeBytes: 16, causeMiss: 2, directionBits: 4, stretchGap: 8, blockFit: 90,
	}
	if m == nil {
		m = &maps.Map{}
	}
	r := m.Read
	set := func(to *int, v uint64) {
		if v > 0 {
			*to = int(min(v, 1<<30))
		}
	}
	share := func(to *float64, percent uint64) {
		if percent > 0 {
			*to = float64(percent) / 100
		}
	}
	set(&lim.lineUnits, r.MinLineBlocks)
	set(&lim.lowUnits, cmp.Or(r.MinLowLineBlocks, 2*uint64(lim.lineUnits)))
	set(&lim.wholeUnits, r.MinWholeLineBlocks)
	set(&lim.rich.values, r.MinBlockValues)
	if p := r.MaxBlockFillPercent; p > 0 {
		lim.rich.top = int(min(p, 100)) * unitSize / 100
	}
	set(&lim.dataBytes, r.MinDataBytes)
	share(&lim.textShare, r.MaxTextPercent)
	share(&lim.highShare, r.MinHighPercent)
	set(&lim.stillLines, r.MaxStillLines)
	set(&lim.minRepeat, r.MinRepeatBytes)
	lim.repeatScore = cmp.Or(r.MinRepeatScore, lim.repeatScore)
	set(&lim.repeatValues, r.MinRepeatValues)
	set(&lim.block, r.TransferBlockBytes)
	set(&lim.holeBytes, r.MinHoleBytes)
	set(&lim.tailBytes, cmp.Or(r.MinTailBytes, r.MinHoleBytes))
	if p := r.MinTailPercent; p > 0 {
		lim.tailShare = p / 100
	}
	set(&lim.region, r.MinRegionBytes)
	set(&lim.copyBytes, r.MinCopyBytes)
	set(&lim.proved, r.MinProvedPercent)
	set(&lim.proofBits, r.MinProofBits)
	set(&lim.ruleShift, min(r.MaxRuleShiftBytes, mostShift))
	lim.shiftScore = cmp.Or(r.MinShiftScore, lim.shiftScore)
	set(&lim.shiftWindows, r.MinShiftWindows)
	set(&lim.shiftEndWindows, r.MinShiftEndWindows)
	lim.shiftEndScore = cmp.Or(r.MinShiftEndScore, lim.shiftEndScore)
	set(&lim.shiftCalls, r.MinShiftCalls)
	set(&lim.shiftRefs, r.MinShiftReferences)
	set(&lim.shiftJumps, r.MinShiftJumps)
	set(&lim.shiftFunctions, r.MinShiftFunctions)
	set(&lim.shiftReturns, r.MinShiftReturns)
	lim.exchangeNats = cmp.Or(r.MinExchangeNats, lim.exchangeNats)
	lim.exchangeDeviations = cmp.Or(r.MinExchangeDeviations, lim.exchangeDeviations)
	set(&lim.orderPairs, r.MinOrderPairs)
	lim.orderRatio = cmp.Or(r.MinOrderRatio, lim.orderRatio)
	lim.orderDeviations = cmp.Or(r.MinOrderDeviations, lim.orderDeviations)
	set(&lim.wordLetters, r.MinWordLetters)
	set(&lim.textBytes, r.MinTextBytes)
	share(&lim.textFile, r.MinTextFilePercent)
	set(&lim.sessionLines, r.MinSessionLines)
	lim.entropyBits = cmp.Or(r.MinEntropyBits, lim.entropyBits)
	set(&lim.entropyBytes, r.MinEntropyBytes)
	set(&lim.readShift, min(r.MaxReadShiftBytes, maxBlock))
	set(&lim.causeBytes, r.MinCauseBytes)
	set(&lim.causeMiss, r.MaxCauseMissPercent)
	set(&lim.directionBits, r.MinDirectionBits)
	set(&lim.stretchGap, r.MaxStretchGapBytes)
	set(&lim.blockFit, r.MinBlockFitPercent)
	return lim
}

// mostShift bounds the shifts tried on rules that fail: a map made in code is
// not held to the limits of the language.
const mostShift = 64
