package readcheck

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
)

// Values that follow from the definition: k values that are equally frequent
// have log2(k) bits; one in four against three in four has 0.811278 (a fair
// table of the binary entropy function gives H(0.25) = 0.8113).
func TestEntropy(t *testing.T) {
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	for _, c := range []struct {
		name string
		data []byte
		want float64
	}{
		{"one value", bytes.Repeat([]byte{0xFF}, 1000), 0},
		{"one byte", []byte{7}, 0},
		{"two values", bytes.Repeat([]byte{1, 2}, 500), 1},
		{"every value", bytes.Repeat(all, 300), 8},
		{"a quarter", bytes.Repeat([]byte{1, 2, 2, 2}, 500), 0.811278},
	} {
		e := NewEntropies()
		e.Take(0x100, c.data)
		assert.InDelta(t, c.want, e.Whole(), 1e-6, c.name)
	}
}

func entropyOf(b []byte) float64 {
	var h histogram
	h.add(b)
	return h.entropy()
}

// Parts in any order, with gaps between and blocks that cut them, give what a
// count of each part by itself gives.
func TestEntropiesOfParts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := rapid.SliceOfN(rapid.Byte(), 1, 300).Draw(t, "data")
		const base = 1000
		var parts []image.Range
		for at := uint64(base - 20); at < base+uint64(len(data)); {
			at += rapid.Uint64Range(0, 30).Draw(t, "gap")
			size := rapid.Uint64Range(0, 60).Draw(t, "size")
			parts = append(parts, image.Range{Start: at, Size: size})
			at += size
		}
		parts = rapid.Permutation(parts).Draw(t, "order")
		e := NewEntropies(parts...)
		for at := 0; at < len(data); {
			n := rapid.IntRange(1, len(data)-at).Draw(t, "block")
			e.Take(base+uint64(at), data[at:at+n])
			at += n
		}
		assert.InDelta(t, entropyOf(data), e.Whole(), 1e-9)
		for i, p := range parts {
			var in []byte
			for j, b := range data {
				if p.Contains(base + uint64(j)) {
					in = append(in, b)
				}
			}
			assert.InDelta(t, entropyOf(in), e.Part(i), 1e-9, "%v", p)
		}
	})
}

// Blocks of every mixture are judged as the definition judges them.
func TestHighEntropyAgainstDefinition(t *testing.T) {
	r := rand.New(rand.NewPCG(17, 1))
	seen := map[bool]int{}
	for range 400 {
		b := make([]byte, entropyUnit)
		values, often := 1+r.IntN(256), r.IntN(120)
		for i := range b {
			if r.IntN(1000) >= often {
				b[i] = byte(r.IntN(values))
			} else {
				b[i] = byte(r.IntN(2)) * 0xFF
			}
		}
		bits := entropyOf(b)
		for _, least := range []float64{1, 5, 7.5, 7.8, 7.9, 7.94, 8} {
			if math.Abs(bits-least) < 1e-9 {
				continue
			}
			want := bits >= least
			seen[want]++
			require.Equal(t, want, highEntropy(least)(b), "%g bits against %g", bits, least)
		}
	}
	assert.Greater(t, min(seen[true], seen[false]), 400)
}
