package readcheck

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps"
)

// thresholdCase is a key of [read] and an image for which its value decides
// whether the report says want.
type thresholdCase struct {
	key          string
	want         string                   // part of the report
	loose, tight float64                  // values with which the report says it, and does not; 0: the key is left out
	report       func(m *maps.Map) string // of a map in which the key is set
}

// thresholdCases has a case for every key, and two where both sides of the
// default matter.
func thresholdCases(t *testing.T) []thresholdCase {
	synth := faults.Synth(rand.New(rand.NewPCG(7, 1)), 64<<10)
	random := rand.New(rand.NewPCG(7, 9))
	text := func(list []evidence.Finding, more ...string) string {
		var b strings.Builder
		for _, f := range list {
			fmt.Fprintf(&b, "%s %s: %s\n", f.Code, f.Severity, f.Message)
		}
		return b.String() + strings.Join(more, "\n")
	}
	// examined is the report on a changed copy of synth.
	examined := func(change func(d []byte) []byte) func(m *maps.Map) string {
		return func(m *maps.Map) string {
			rep := withMap(t, m, change(bytes.Clone(synth)))
			return text(rep.Findings, rep.NotJudged...)
		}
	}
	changed := func(change func(d []byte)) func(m *maps.Map) string {
		return examined(func(d []byte) []byte { change(d); return d })
	}
	// agreed is what is said of a good read and a changed copy of it.
	agreed := func(change func(d []byte)) func(m *maps.Map) string {
		return func(m *maps.Map) string {
			second := goodRead()
			change(second)
			return text(agree(t, m, goodRead(), second).Findings)
		}
	}
	// sealed is the report with the map of two halves under checksums.
	sealed := func(change func(d []byte)) func(m *maps.Map) string {
		return func(m *maps.Map) string {
			whole, data := halves(t, "")
			whole.Read = m.Read
			if m.Read.MinProvedPercent != 0 {
				whole.Checksums = whole.Checksums[:1]
			}
			change(data)
			rep := withMap(t, whole, data)
			return text(rep.Findings, rep.NotJudged...)
		}
	}
	stuck := func(from, to, k int) func(d []byte) {
		return func(d []byte) {
			for i := from; i < to; i++ {
				d[i] = synth[i&^(1<<k)]
			}
		}
	}
	lost := func(d []byte) []byte { return append(slices.Delete(d, 20001, 20002), 0xFF) }
	swapped := func(d []byte) {
		for i := range d {
			d[i] = synth[i^1]
		}
	}
	fewWords := func([]byte) []byte { // "quick" has two pairs of letters
		d := make([]byte, 1024)
		copy(d, strings.Repeat("uqci k", 15))
		return d
	}
	session := func(d []byte) {
		clear(d[0x1F00:0x2200])
		copy(d[0x2000:], "bench login: mechanic\r\nready\r\n$ dump\r\nreading now\r\n")
	}
	page := func(d []byte) {
		clear(d[0x1F00:0x2200])
		copy(d[0x2000:], "<html><title>Not found</title><body>this page is gone</body></html>")
	}
	prose := []byte("The quick brown fox jumps over the lazy dog and sleeps.\n")
	filler := func(d []byte) {
		for i := 0x7000; i < 0xA000; i++ { // the learned region of the map and more
			d[i] = byte(random.Uint32())
		}
	}
	other := func(d []byte, from, to int) {
		for i := from; i < to; i++ {
			d[i] = ^d[i]
		}
	}
	return []thresholdCase{
		{"min_hole_bytes", "hole caution", 0, 0x1000, changed(func(d []byte) { clear(d[0x3000:0x3800]) })},
		{"min_region_bytes", "region-blank", 0, 0x7001, changed(func(d []byte) { clear(d[:0x7000]) })},
		{"min_tail_bytes", "tail-constant", 0, 5000, changed(func(d []byte) { fillWith(d[60<<10:], []byte{0xFF}) })},
		{"min_repeat_bytes", "block-repeated fault", 0, 65, changed(func(d []byte) { fillWith(d[0x3000:0x3100], d[0x3000:0x3040]) })},
		{"min_repeat_values", "block-repeated fault", 0, 256, changed(func(d []byte) { fillWith(d[0x3000:0x3100], d[0x3000:0x3040]) })},
		{"min_repeat_score", "block-repeated fault", 0, 50, changed(func(d []byte) { fillWith(d[0x3000:0x3100], d[0x3000:0x3040]) })},
		{"min_tail_percent", "tail-constant", 0, 7, changed(func(d []byte) { fillWith(d[60<<10:], []byte{0xFF}) })},
		{"transfer_block_bytes", "block-repeated fault", 64, 0, changed(func(d []byte) { copy(d[0x3040:0x3080], d[0x3000:0x3040]) })},
		{"min_line_blocks", "address line 11 does not toggle", 0, 40, changed(stuck(0x4000, 0x6000, 11))},
		{"min_low_line_blocks", "address line 3 does not toggle", 0, 40, changed(stuck(0x4000, 0x6000, 3))},
		{"min_whole_line_blocks", "address line 12 does not toggle", 0, 1000, changed(stuck(0, 0x10000, 12))},
		{"min_block_values", "address line 12 does not toggle", 0, 256, changed(stuck(0, 0x10000, 12))},
		{"max_block_fill_percent", "address line 12 does not toggle", 0, 1, changed(stuck(0, 0x10000, 12))},
		{"min_data_bytes", "data bit 1 always reads 0", 0, 1 << 20, changed(func(d []byte) {
			for i := range d {
				d[i] &^= 2
			}
		})},
		{"max_text_percent", "data bit 7 always reads 0", 0, 1, changed(func(d []byte) {
			for i := range d {
				d[i] &^= 0x80
			}
		})},
		{"min_high_percent", "data bit 7 of the bytes at addresses 1 modulo 2", 0, 100, changed(func(d []byte) {
			for i := 1; i < len(d); i += 2 {
				d[i] &^= 0x80
			}
		})},
		{"max_still_lines", "data bit 5 always reads 0", 3, 0, changed(func(d []byte) {
			for i := range d[:0x7000] {
				d[i] &^= 0x70
			}
		})},
		{"min_copy_bytes", "tail-copy", 0, 0x4000, changed(func(d []byte) { copy(d[0xC010:], d[:0x3FF0]) })},
		{"min_copy_bytes", "tail-copy", 0x800, 0, examined(func(d []byte) []byte { copy(d[0xC010:], d[:0x3FF0]); return d[:0xC010+0x800] })},
		{"min_shift_score", "shifted caution", 0, 14, examined(lost)},
		{"min_shift_windows", "shifted caution", 0, 4000, examined(lost)},
		{"min_shift_calls", "calls behind", 0, 4000, examined(func(d []byte) []byte { return lost(callingCode(64 << 10)) })},
		{"min_shift_end_windows", "out of step", 0, 8, examined(func(d []byte) []byte { return lose(d, len(d)-1100) })},
		{"min_shift_end_score", "out of step", 0, 14, examined(func(d []byte) []byte { return lose(d, len(d)-1100) })},
		{"min_shift_returns", "functions end", 0, 4000, examined(func([]byte) []byte { return lose(endings(returnCodes[0].bytes, 64<<10), 9000) })},
		{"min_shift_references", "refers to", 0, 4000, examined(func([]byte) []byte { return lose(machineCode(1, 64<<10, codeStyle{grain: 1, texts: true}), 45000) })},
		{"min_shift_jumps", "refers to", 0, 4000, examined(func([]byte) []byte { return lose(machineCode(1, 64<<10, codeStyle{grain: 1}), 21391) })},
		{"min_shift_functions", "multiples of 16", 0, 4000, examined(func([]byte) []byte { return lose(machineCode(1, 64<<10, codeStyle{grain: 16, calls: true}), 9000) })},
		{"min_exchange_nats", "address lines 7 and 12 exchanged", 0, 1e6, examined(exchangedBy(7, 12))},
		{"min_exchange_deviations", "address lines 1 and 9 exchanged", 0, 100, examined(exchangedBy(1, 9))},
		{"min_order_pairs", "bytes-swapped", 0, 100000, changed(swapped)},
		{"min_order_pairs", "bytes-swapped", 25, 0, examined(fewWords)},
		{"min_order_ratio", "bytes-swapped", 0, 100, changed(swapped)},
		{"min_order_deviations", "bytes-swapped", 0, 100, changed(swapped)},
		{"min_word_letters", "bytes-swapped", 0, 64, changed(swapped)},
		{"min_text_bytes", "session-text", 0, 60, changed(session)},
		{"min_text_bytes", "html-text", 0, 100, changed(page)},
		{"min_text_bytes", "text-file", 0, 100, examined(func([]byte) []byte { return prose })},
		{"min_text_bytes", "text-file", 20, 0, examined(func([]byte) []byte { return prose[:20] })},
		{"min_text_file_percent", "text-file", 0, 98, examined(func([]byte) []byte { return append(bytes.Clone(prose), 0, 0) })},
		{"min_session_lines", "session-text", 0, 3, changed(session)},
		{"min_entropy_bits", "high-entropy", 0, 7.99, changed(filler)},
		{"min_entropy_bits", "high-entropy", 3, 0, changed(func([]byte) {})},
		{"min_entropy_bytes", "high-entropy", 0, 0x4000, changed(filler)},
		{"min_entropy_bytes", "high-entropy", 0x1000, 0, examined(func(d []byte) []byte { filler(d); return d[:0x8000] })},
		{"min_proved_percent", "what lies outside them is not proved", 60, 40, sealed(func([]byte) {})},
		{"min_proof_bits", "what lies outside them is not proved", 33, 32, sealed(func([]byte) {})},
		{"max_rule_shift_bytes", "moved up by 6", 6, 5, sealed(func(d []byte) { copy(d[0x3FF0:], bytes.Clone(d[0x3FF6:])) })},
		{"max_read_shift_bytes", "moved down by 20", 20, 19, agreed(func(d []byte) { copy(d[5000:], bytes.Clone(d[5020:])) })},
		{"min_cause_bytes", "it is the first read with address line 11", 0, 32 << 10, agreed(func(d []byte) {
			for i, v := range goodRead() {
				d[i&^0x800] = v
			}
		})},
		{"max_cause_miss_percent", "it is the first read with address line 11", 20, 0, agreed(func(d []byte) {
			for i, v := range goodRead() {
				d[i&^0x800] = v
			}
			for i := 0; i < len(d); i += 20 {
				d[i] ^= 0x55
			}
		})},
		{"min_direction_bits", "one direction only", 3, 0, agreed(func(d []byte) { d[0x100], d[0x200], d[0x300] = raised(d[0x100]), raised(d[0x200]), raised(d[0x300]) })},
		{"max_stretch_gap_bytes", "whole blocks of 64 bytes", 20, 0, agreed(func(d []byte) {
			for _, at := range []int{0x400, 0x1000, 0x1240} {
				other(d, at, at+20)
				other(d, at+40, at+64)
			}
		})},
		{"min_block_fit_percent", "whole blocks of 64 bytes", 70, 0, agreed(func(d []byte) {
			for _, at := range []int{0x400, 0x1000, 0x1240} {
				other(d, at, at+64)
			}
			d[0x3005] ^= 0xFF
		})},
	}
}

// raised sets the lowest bit of b that is 0.
func raised(b byte) byte { return b | (b + 1) }

// Every threshold that a map can set decides what is found, whichever way it
// is set.
func TestEveryThresholdHasAnEffect(t *testing.T) {
	if testing.Short() {
		t.Skip("two minutes with the race detector; TestReportsAreRepeatable runs the checks side by side")
	}
	seen := map[string]bool{}
	set := func(m *maps.Map, key string, n float64) *maps.Map {
		v, read := reflect.ValueOf(&m.Read).Elem(), reflect.TypeFor[maps.Read]()
		for i := range read.NumField() {
			if read.Field(i).Tag.Get("toml") != key {
				continue
			}
			seen[key] = true
			if v.Field(i).CanUint() {
				v.Field(i).SetUint(uint64(n))
			} else {
				v.Field(i).SetFloat(n)
			}
		}
		return m
	}
	for _, tc := range thresholdCases(t) {
		assert.Contains(t, tc.report(set(learning(), tc.key, tc.loose)), tc.want, "%s = %g", tc.key, tc.loose)
		assert.NotContains(t, tc.report(set(learning(), tc.key, tc.tight)), tc.want, "%s = %g", tc.key, tc.tight)
	}
	read := reflect.TypeFor[maps.Read]()
	for i := range read.NumField() {
		key := read.Field(i).Tag.Get("toml")
		assert.True(t, seen[key], "no case for %s", key)
	}
}

// The smallest and largest thresholds a map may state neither panic nor hang.
func TestExtremeThresholds(t *testing.T) {
	m, data := halves(t, "")
	text := bytes.Repeat([]byte("all of it is text "), 2000)[:len(data)]
	for _, n := range []uint64{1, 1<<63 - 1} {
		m.Read = maps.Read{}
		v := reflect.ValueOf(&m.Read).Elem()
		for i := range v.NumField() {
			if v.Field(i).CanUint() {
				v.Field(i).SetUint(n)
			} else {
				v.Field(i).SetFloat(min(float64(n), 8))
			}
		}
		withMap(t, m, data)
		got := codes(withMap(t, m, text).Findings)
		assert.Equal(t, n == 1, slices.Contains(got, "text-file"), "%v with %d", got, n)
	}
}

// The table of thresholds names every key of [read] with the default in use.
func TestThresholdsAreDocumented(t *testing.T) {
	raw, err := os.ReadFile("DETECTION.md")
	require.NoError(t, err)
	page := strings.ReplaceAll(string(raw), "\r\n", "\n")
	lim := limitsFor(nil)
	defaults := map[string]float64{
		"min_hole_bytes":          float64(lim.holeBytes),
		"min_region_bytes":        float64(lim.region),
		"min_tail_bytes":          float64(lim.tailBytes),
		"min_repeat_bytes":        float64(lim.minRepeat),
		"min_repeat_values":       float64(lim.repeatValues),
		"min_repeat_score":        lim.repeatScore,
		"min_tail_percent":        100 * lim.tailShare,
		"min_line_blocks":         float64(lim.lineUnits),
		"min_low_line_blocks":     float64(lim.lowUnits),
		"min_whole_line_blocks":   float64(lim.wholeUnits),
		"min_block_values":        float64(lim.rich.values),
		"max_block_fill_percent":  float64(lim.rich.top) * 100 / unitSize,
		"min_data_bytes":          float64(lim.dataBytes),
		"max_text_percent":        100 * lim.textShare,
		"min_high_percent":        100 * lim.highShare,
		"max_still_lines":         float64(lim.stillLines),
		"min_copy_bytes":          float64(lim.copyBytes),
		"min_shift_score":         lim.shiftScore,
		"min_shift_windows":       float64(lim.shiftWindows),
		"min_shift_calls":         float64(lim.shiftCalls),
		"min_shift_end_windows":   float64(lim.shiftEndWindows),
		"min_shift_end_score":     lim.shiftEndScore,
		"min_shift_returns":       float64(lim.shiftReturns),
		"min_shift_references":    float64(lim.shiftRefs),
		"min_shift_jumps":         float64(lim.shiftJumps),
		"min_shift_functions":     float64(lim.shiftFunctions),
		"min_exchange_nats":       lim.exchangeNats,
		"min_exchange_deviations": lim.exchangeDeviations,
		"min_order_pairs":         float64(lim.orderPairs),
		"min_order_ratio":         lim.orderRatio,
		"min_order_deviations":    lim.orderDeviations,
		"min_word_letters":        float64(lim.wordLetters),
		"min_text_bytes":          float64(lim.textBytes),
		"min_text_file_percent":   100 * lim.textFile,
		"min_session_lines":       float64(lim.sessionLines),
		"min_entropy_bits":        lim.entropyBits,
		"min_entropy_bytes":       float64(lim.entropyBytes),
		"min_proved_percent":      float64(lim.proved),
		"min_proof_bits":          float64(lim.proofBits),
		"max_rule_shift_bytes":    float64(lim.ruleShift),
		"max_read_shift_bytes":    float64(lim.readShift),
		"min_cause_bytes":         float64(lim.causeBytes),
		"max_cause_miss_percent":  float64(lim.causeMiss),
		"min_direction_bits":      float64(lim.directionBits),
		"max_stretch_gap_bytes":   float64(lim.stretchGap),
		"min_block_fit_percent":   float64(lim.blockFit),
	}
	read := reflect.TypeFor[maps.Read]()
	for i := range read.NumField() {
		key := read.Field(i).Tag.Get("toml")
		row := regexp.MustCompile("(?m)^\\| `" + key + "` \\| ([^|]*) \\|").FindStringSubmatch(page)
		require.NotNil(t, row, "DETECTION.md has no row for %s", key)
		want, ok := defaults[key]
		if !ok {
			assert.Equal(t, "transfer_block_bytes", key)
			assert.Equal(t, "not known", row[1])
			continue
		}
		assert.Equal(t, strconv.FormatFloat(want, 'g', -1, 64), row[1], key)
	}
	language, err := os.ReadFile(filepath.Join("..", "..", "maps", "LANGUAGE.md"))
	require.NoError(t, err)
	for key, want := range defaults {
		row := regexp.MustCompile("(?m)^\\| `" + key + "` \\| (.*) \\|").FindSubmatch(language)
		require.NotNil(t, row, "LANGUAGE.md has no row for %s", key)
		said := strconv.FormatFloat(want, 'g', -1, 64)
		switch key { // it follows another key
		case "min_low_line_blocks":
			said = "twice `min_line_blocks`"
		case "min_tail_bytes":
			said = "`min_hole_bytes` if that is given, else " + said
		}
		assert.Regexp(t, `\(`+regexp.QuoteMeta(said)+`[,;)]`, string(row[1]), key)
	}
}
