package maps

import (
	"fmt"
	"math"
	"strconv"
)

// limitKey is a key that takes a number within limits, and may be left out for
// a default.
type limitKey struct {
	path      string
	value     float64
	low, high float64 // both included
	why       string  // what sets the limits, for the message; may be empty
}

// most stands for no upper limit.
var most = math.Inf(1)

// limit reports a number that is given and lies outside its limits.
func (v *validator) limit(f limitKey) {
	if !v.given(f.path) || v.has(f.path) || f.value >= f.low && f.value <= f.high {
		return
	}
	number := func(n float64) string { return strconv.FormatFloat(n, 'f', -1, 64) }
	must := fmt.Sprintf("must be at least %s", number(f.low))
	switch {
	case f.value == 0:
		must = "is zero; leave it out for the default"
	case f.value > f.high:
		must = fmt.Sprintf("must be at most %s", number(f.high))
	}
	if f.why != "" && f.value != 0 {
		must += ", " + f.why
	}
	v.key(f.path, "%s", must)
}

// readLimits checks the thresholds of the [read] section. One of more bytes than
// the image has would silently switch its check off.
func (v *validator) readLimits() {
	r := v.m.Read
	n := func(u uint64) float64 { return float64(u) }
	size, whole := n(v.m.Image.Size), "the bytes of the image"
	if size == 0 { // which is reported as a mistake of its own
		size = most
	}
	for _, f := range []limitKey{
		{"min_hole_bytes", n(r.MinHoleBytes), 1, size, whole},
		{"min_tail_bytes", n(r.MinTailBytes), 1, size, whole},
		{"min_tail_percent", r.MinTailPercent, math.SmallestNonzeroFloat64, 100, "a share"},
		{"min_repeat_bytes", n(r.MinRepeatBytes), 1, 4096, "the longest transfer block"},
		{"min_repeat_values", n(r.MinRepeatValues), 2, 256, "the values of a byte"},
		{"min_repeat_score", r.MinRepeatScore, math.SmallestNonzeroFloat64, 100, "points"},
		{"min_line_blocks", n(r.MinLineBlocks), 1, max(1, size/1024), "a quarter of the blocks of 256 bytes of the image"},
		{"min_low_line_blocks", n(r.MinLowLineBlocks), 1, max(1, size/1024), "a quarter of the blocks of 256 bytes of the image"},
		{"min_whole_line_blocks", n(r.MinWholeLineBlocks), 1, max(1, size/1024), "a quarter of the blocks of 256 bytes of the image"},
		{"min_block_values", n(r.MinBlockValues), 2, 256, "the bytes of a block"},
		{"max_block_fill_percent", n(r.MaxBlockFillPercent), 1, 99, "a share of a block that holds more than one value"},
		{"min_data_bytes", n(r.MinDataBytes), 1, size, whole},
		{"max_text_percent", n(r.MaxTextPercent), 1, 100, "a share"},
		{"min_high_percent", n(r.MinHighPercent), 1, 100, "a share"},
		{"max_still_lines", n(r.MaxStillLines), 1, 7, "the lines of a byte that may rest while one moves"},
		{"min_copy_bytes", n(r.MinCopyBytes), 64, most, "the bytes that are looked for further up"},
		{"min_copy_bytes", n(r.MinCopyBytes), 1, max(64, size), whole},
		{"min_shift_score", r.MinShiftScore, math.SmallestNonzeroFloat64, 14, "the most that can be had"},
		{"min_shift_windows", n(r.MinShiftWindows), 1, 4096, "the windows that are looked at"},
		{"min_shift_end_windows", n(r.MinShiftEndWindows), 1, 4096, "the windows that are looked at"},
		{"min_shift_end_score", r.MinShiftEndScore, math.SmallestNonzeroFloat64, 14, "the most that can be had"},
		{"min_shift_calls", n(r.MinShiftCalls), 1, most, ""},
		{"min_shift_references", n(r.MinShiftReferences), 1, most, ""},
		{"min_shift_jumps", n(r.MinShiftJumps), 1, most, ""},
		{"min_shift_functions", n(r.MinShiftFunctions), 1, most, ""},
		{"min_shift_returns", n(r.MinShiftReturns), 1, most, ""},
		{"min_exchange_nats", r.MinExchangeNats, 1, 1e6, "nats"},
		{"min_exchange_deviations", r.MinExchangeDeviations, 1, 100, "standard deviations"},
		{"min_order_pairs", n(r.MinOrderPairs), 1, most, ""},
		{"min_order_ratio", r.MinOrderRatio, 1, 100, "times as many pairs"},
		{"min_order_deviations", r.MinOrderDeviations, 1, 100, "standard deviations"},
		{"min_word_letters", n(r.MinWordLetters), 2, 64, "letters in a row, of which two make a pair"},
		{"min_text_bytes", n(r.MinTextBytes), 1, size, whole},
		{"min_text_file_percent", n(r.MinTextFilePercent), 1, 100, "a share"},
		{"min_session_lines", n(r.MinSessionLines), 1, most, ""},
		{"min_entropy_bits", r.MinEntropyBits, math.SmallestNonzeroFloat64, 8, "the bits of a byte"},
		{"min_entropy_bytes", n(r.MinEntropyBytes), 4096, most, "the block whose entropy is taken"},
		{"min_entropy_bytes", n(r.MinEntropyBytes), 1, max(4096, size), whole},
		{"min_proved_percent", n(r.MinProvedPercent), 1, 100, "a share"},
		{"min_proof_bits", n(r.MinProofBits), 1, 512, "the widest digest"},
		{"min_region_bytes", n(r.MinRegionBytes), 1, size, whole},
		{"max_rule_shift_bytes", n(r.MaxRuleShiftBytes), 1, 64, "because each is tried on every rule that fails"},
		{"max_read_shift_bytes", n(r.MaxReadShiftBytes), 1, 4096, "the longest transfer block"},
		{"min_cause_bytes", n(r.MinCauseBytes), 1, size, whole},
		{"max_cause_miss_percent", n(r.MaxCauseMissPercent), 1, 49, "or the cause explains less than it leaves open"},
		{"min_direction_bits", n(r.MinDirectionBits), 1, most, ""},
		{"max_stretch_gap_bytes", n(r.MaxStretchGapBytes), 1, 4096, "the longest transfer block"},
		{"min_block_fit_percent", n(r.MinBlockFitPercent), 1, 100, "a share"},
		{"transfer_block_bytes", n(r.TransferBlockBytes), 1, size, whole},
	} {
		f.path = "read." + f.path
		v.limit(f)
	}
}
