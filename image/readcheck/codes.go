package readcheck

// Codes of the findings this package makes. Package maps adds those about size,
// coverage and checksum rules.
const (
	CodeSizeNear            = "size-near"             // Caution: a raw image a byte or two off a round size, without a map.
	CodeSizeOdd             = "size-odd"              // Caution: a raw image of a size that no memory has and that looks like one, without a map. Note: it does not.
	CodeFileKind            = "file-kind"             // Note: a file that says itself what it is, and that is no memory, without a map.
	CodeFileShort           = "file-short"            // Fault: such a file, shorter than its header says.
	CodeBlank               = "blank"                 // Fault: one value from end to end, or no byte at all.
	CodeAddressLineStuck    = "address-line-stuck"    // Fault: the image reads the same at both settings of an address line.
	CodeAddressLinesShorted = "address-lines-shorted" // Fault: the image reads as if two address lines touched.
	CodeAddressLinesSwapped = "address-lines-swapped" // Fault: checksums agree again with two address lines exchanged. Caution: too few do, or the image is torn, and whole again with them exchanged.
	CodeDataLineStuck       = "data-line-stuck"       // Fault: a data line never moves.
	CodeDataLaneDead        = "data-lane-dead"        // Fault: one byte of the bus never changes.
	CodeDataLinesShorted    = "data-lines-shorted"    // Fault: two data lines are always equal.
	CodeDataLinesOpposite   = "data-lines-opposite"   // Fault: two data lines are always opposite.
	CodeBlockRepeated       = "block-repeated"        // Fault: a transfer block was delivered again. Caution: a small one stands twice. Note: it may have been.
	CodeTailRepeats         = "tail-repeats"          // Fault: the same, up to the end of the image.
	CodeTailConstant        = "tail-constant"         // Caution: the image ends in one value or a short pattern. Note in a file that states its length.
	CodeTailCopy            = "tail-copy"             // Fault: the image ends in a copy of an earlier part.
	CodeShortRead           = "short-read"            // Fault: the image ends in one value or pattern where the map expects content.
	CodeHole                = "hole"                  // Caution: a stretch of one value where the map expects content.
	CodeErasedPart          = "erased-part"           // Caution: the same, of the erased value.
	CodeRegionBlank         = "region-blank"          // Fault: a whole region of one value where the map expects content.
	CodeShifted             = "shifted"               // Caution, or a fault with a map: a byte was lost or doubled.
	CodeBytesSwapped        = "bytes-swapped"         // Caution, or a fault with a map: the bytes of each word are in another order.
	CodeInterleaved         = "interleaved"           // Caution, or a fault with a map: chips stand behind one another, or take turns.
	CodeSessionText         = "session-text"          // Fault: lines of a terminal session.
	CodeHTMLText            = "html-text"             // Fault: an HTML page or the head of an HTTP answer.
	CodeTextFile            = "text-file"             // Fault: the image is plain text.
	CodeHighEntropy         = "high-entropy"          // Caution where the map expects something else, note without a map: compressed, encrypted or random bytes.
	CodeUnusedContent       = "unused-content"        // Caution: content in a region that the map calls unused, or in none, under no agreeing rule.
	CodeIdentityUnreadable  = "identity-unreadable"   // Fault: an identity field of the map does not parse.
	CodeReadsCoverage       = "reads-coverage"        // Fault: reads hold different addresses.
	CodeReadsEqual          = "reads-equal"           // Note: reads are equal.
	CodeReadsDiffer         = "reads-differ"          // Fault, or a caution without a map: reads differ outside adaptation regions.
	CodeReadsDifferLearned  = "reads-differ-learned"  // Note: reads differ in adaptation regions only.
	CodeReadsNoMajority     = "reads-no-majority"     // Caution: addresses at which no value was read by more than half.
	CodeReadbackCoverage    = "readback-coverage"     // Fault: what was read back holds other addresses than what was written. Caution: both lack addresses that the memory has by the map; note: it need not be read.
	CodeReadbackDiffers     = "readback-differs"      // Fault, or a caution without a map: what was read back differs outside adaptation regions.
	CodeReadbackLearned     = "readback-learned"      // Note: it differs in adaptation regions only.
	CodeReadbackEqual       = "readback-equal"        // Note: it is as written.
	CodeSupplyLow           = "supply-low"            // Fault: supply voltage below the limit.
	CodeSupplyHigh          = "supply-high"           // Fault: supply voltage above that of any controller.
	CodeLatencyHigh         = "latency-high"          // Fault: adapter latency above the limit.
	CodeReadTooQuick        = "read-too-quick"        // Fault: a read took less than its bytes take on the line.
	CodeReadQuick           = "read-quick"            // Caution in a plan, fault in the gate: a read took less than the map says, or than the plan if it says nothing.
	CodeReadSlow            = "read-slow"             // The same: a read took more than the map says.
)
