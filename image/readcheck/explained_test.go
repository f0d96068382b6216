package readcheck

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
)

// alias returns data as it reads when the address x of bytes from up to to
// reaches the memory as line(x).
func alias(data []byte, from, to int, line func(x int) int) []byte {
	out := bytes.Clone(data)
	for i := from; i < to; i++ {
		out[i] = data[line(i)]
	}
	return out
}

// A line that does not move makes blocks stand twice, halves equal, lanes
// alike. All of that is one fault.
func TestStuckLineIsOneFinding(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(21, 1)), 64<<10)
	for k := range 16 {
		for part, window := range map[string][2]int{"whole": {0, 64 << 10}, "part": {16 << 10, 32 << 10}} {
			if 1<<k >= window[1]-window[0] {
				continue
			}
			for _, high := range []int{0, 1} {
				t.Run(fmt.Sprintf("%s/line %d at %d", part, k, high), func(t *testing.T) {
					bad := alias(data, window[0], window[1], func(x int) int { return x&^(1<<k) | high<<k })
					list := alarms(examineBytes(t, bad))
					require.Len(t, list, 1)
					assert.Equal(t, CodeAddressLineStuck, list[0].Code)
				})
			}
		}
	}
}

// Of two lines that touch three settings read the same.
func TestShortedLinesAreOneFinding(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(22, 1)), 64<<10)
	for _, pair := range [][2]int{{0, 1}, {1, 12}, {5, 6}, {7, 8}, {8, 9}, {8, 15}, {11, 12}, {14, 15}} {
		a, b := 1<<pair[0], 1<<pair[1]
		for _, wins := range []bridge{lowWins, highWins} {
			t.Run(fmt.Sprintf("lines %v, %s wins", pair, wins), func(t *testing.T) {
				bad := alias(data, 0, len(data), func(x int) int {
					switch {
					case x&a != 0 == (x&b != 0):
						return x
					case wins == lowWins:
						return x &^ (a | b)
					}
					return x | a | b
				})
				list := alarms(examineBytes(t, bad))
				require.Len(t, list, 1)
				assert.Equal(t, CodeAddressLinesShorted, list[0].Code)
			})
		}
	}
}

// What a line does not explain stays: a block that was delivered again next to
// it, a tail that is a copy of what lies elsewhere.
func TestOtherFaultsBesideAStuckLine(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(23, 1)), 64<<10)
	bad := alias(data, 0, 32<<10, func(x int) int { return x &^ (1 << 10) })
	for k := 1; k < 5; k++ { // outside the part, at another period, and inside it
		copy(bad[0xC000+512*k:], bad[0xC000:0xC200])
		copy(bad[0x4200+0x300*k:], bad[0x4200:0x4500])
	}
	var at []image.Range
	stuck := 0
	for _, f := range alarms(examineBytes(t, bad)) {
		switch f.Code {
		case CodeAddressLineStuck:
			stuck++
		case CodeBlockRepeated:
			at = append(at, f.Ranges...)
		}
	}
	assert.Equal(t, 1, stuck)
	assert.Contains(t, at, image.Range{Start: 0xC000, Size: 5 * 512})
	assert.True(t, slices.ContainsFunc(at, func(r image.Range) bool {
		_, ok := r.Intersect(image.Range{Start: 0x4200, Size: 0x300})
		return ok
	}), "%v", at)

	// Half of the blocks that stand twice, with the line free: nothing explains them.
	bad = bytes.Clone(data)
	for at := 0; at < len(bad); at += 0x4000 {
		copy(bad[at+0x400:at+0x800], bad[at:])
	}
	list := alarms(examineBytes(t, bad))
	assert.Len(t, list, 4)
	for _, f := range list {
		assert.Equal(t, CodeBlockRepeated, f.Code)
	}
}

// Lanes that hold the same byte are one finding, and the address line's if it
// is what makes them so.
func TestLanesThatReadAlike(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(24, 1)), 64<<10)
	for i := 0; i < len(data); i += 4 {
		data[i+3] = data[i] // no address line does that
	}
	var shorted []evidence.Finding
	for _, f := range alarms(examineBytes(t, data)) {
		if f.Code == CodeDataLinesShorted {
			shorted = append(shorted, f)
		}
	}
	require.Len(t, shorted, 1)
	assert.Contains(t, shorted[0].Message, "the bytes at addresses 0 and 3 modulo 4 are equal at every place")
}

// A tail of a short pattern holds half of the data lines still; that is not
// said again for each part of it.
func TestPatternTailIsOneFinding(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(25, 1)), 256<<10)
	copy(data[0x15100:], bytes.Repeat([]byte{0x5A, 0x01, 0xE7, 0x33}, len(data)/4-0x15100/4))
	list := alarms(examineBytes(t, data))
	require.Len(t, list, 1)
	assert.Equal(t, CodeTailConstant, list[0].Code)
}
