package readcheck

import (
	"bytes"
	"math/rand/v2"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps"
)

// Every threshold of the checks that look at what stands in an image changes
// what they find, whichever way it is set.
func TestContentThresholdsOfMap(t *testing.T) {
	has := func(m *maps.Map, data []byte, code string) bool {
		x := &examiner{m: m, c: contentOf(0, data), lim: limitsFor(m)}
		x.checkTail()
		x.checkShift()
		x.checkOrder()
		x.checkText()
		x.checkHoles(nil)
		x.checkEntropy(nil)
		return slices.Contains(codes(x.findings), code)
	}
	synth := faults.Synth(rand.New(rand.NewPCG(7, 1)), 64<<10)
	change := func(f func(d []byte) []byte) []byte { return f(slices.Clone(synth)) }
	random := rand.New(rand.NewPCG(7, 9))

	wrapped := change(func(d []byte) []byte { copy(d[0xC010:], d[:0x3FF0]); return d })
	lost := change(func(d []byte) []byte { return append(slices.Delete(d, 20001, 20002), 0xFF) })
	swapped := change(func(d []byte) []byte {
		for i := range d {
			d[i] = synth[i^1]
		}
		return d
	})
	holed := change(func(d []byte) []byte { clear(d[0x3000:0x3800]); return d })
	fewWords := make([]byte, 1024) // "quick" has two pairs of letters
	copy(fewWords, strings.Repeat("uqci k", 15))
	session := change(func(d []byte) []byte {
		clear(d[0x1F00:0x2200])
		copy(d[0x2000:], "bench login: mechanic\r\nready\r\n$ dump\r\nreading now\r\n")
		return d
	})
	page := change(func(d []byte) []byte {
		clear(d[0x1F00:0x2200])
		copy(d[0x2000:], "<html><title>Not found</title><body>this page is gone</body></html>")
		return d
	})
	text := []byte("The quick brown fox jumps over the lazy dog and sleeps.\n")
	filler := change(func(d []byte) []byte {
		for i := 0x7000; i < 0xA000; i++ { // the learned region of the map and more
			d[i] = byte(random.Uint32())
		}
		return d
	})
	for _, tc := range []struct {
		code         string
		data         []byte
		loose, tight func(r *maps.Read) // finds it, does not
	}{
		{"hole", holed, nil, func(r *maps.Read) { r.MinHoleBytes = 0x1000 }},
		{"tail-copy", wrapped, nil, func(r *maps.Read) { r.MinCopyBytes = 0x4000 }},
		{"tail-copy", wrapped[:0xC010+0x800], func(r *maps.Read) { r.MinCopyBytes = 0x800 }, nil},
		{"shifted", lost, nil, func(r *maps.Read) { r.MinShiftPairs = 4000 }},
		{"shifted", lost[20001-4096 : 20001+4096], func(r *maps.Read) { r.MinShiftPairs = 8 }, nil},
		{"bytes-swapped", swapped, nil, func(r *maps.Read) { r.MinOrderPairs = 100000 }},
		{"bytes-swapped", fewWords, func(r *maps.Read) { r.MinOrderPairs = 25 }, nil},
		{"session-text", session, nil, func(r *maps.Read) { r.MinSessionLines = 3 }},
		{"session-text", session, nil, func(r *maps.Read) { r.MinTextBytes = 60 }},
		{"html-text", page, nil, func(r *maps.Read) { r.MinTextBytes = 100 }},
		{"text-file", text, nil, func(r *maps.Read) { r.MinTextBytes = 100 }},
		{"text-file", text[:20], func(r *maps.Read) { r.MinTextBytes = 20 }, nil},
		{"high-entropy", filler, nil, func(r *maps.Read) { r.MinEntropyBits = 7.99 }},
		{"high-entropy", synth, func(r *maps.Read) { r.MinEntropyBits = 3 }, nil},
		{"high-entropy", filler, nil, func(r *maps.Read) { r.MinEntropyBytes = 0x4000 }},
		{"high-entropy", filler[:0x8000], func(r *maps.Read) { r.MinEntropyBytes = 0x1000 }, nil},
	} {
		loose, tight := learning(), learning()
		if tc.loose != nil {
			tc.loose(&loose.Read)
		}
		if tc.tight != nil {
			tc.tight(&tight.Read)
		}
		assert.True(t, has(loose, tc.data, tc.code), "%s with %+v", tc.code, loose.Read)
		assert.False(t, has(tight, tc.data, tc.code), "%s with %+v", tc.code, tight.Read)
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
		"min_hole_bytes": float64(lim.holeBytes), "min_tail_bytes": float64(lim.tailBytes), "min_repeat_bytes": float64(lim.minRepeat),
		"min_line_blocks": float64(lim.lineUnits), "min_data_bytes": float64(lim.dataBytes), "min_copy_bytes": float64(lim.copyBytes),
		"min_shift_pairs": float64(lim.shiftPairs), "min_order_pairs": float64(lim.orderPairs), "min_text_bytes": float64(lim.textBytes),
		"min_session_lines": float64(lim.sessionLines), "min_entropy_bits": lim.entropyBits, "min_entropy_bytes": float64(lim.entropyBytes),
		"min_proved_percent": float64(lim.proved),
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
}
