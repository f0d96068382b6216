package readcheck

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

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
		im, err := image.FromSegments(image.Segment{Start: 0x100, Data: c.data})
		require.NoError(t, err)
		got, err := Entropy(im, im.Bounds())
		require.NoError(t, err)
		assert.InDelta(t, c.want, got, 1e-6, c.name)
		assert.InDelta(t, c.want, entropyOf(c.data), 1e-6, c.name)
	}
	im, err := image.FromSegments(image.Segment{Start: 0, Data: []byte{1, 1}}, image.Segment{Start: 10, Data: []byte{2, 2}})
	require.NoError(t, err)
	for r, want := range map[image.Range]float64{{Start: 0, Size: 12}: 1, {Start: 0, Size: 5}: 0, {Start: 3, Size: 5}: 0} {
		got, err := Entropy(im, r)
		require.NoError(t, err)
		assert.InDelta(t, want, got, 1e-9, "%s: gaps do not count", r)
	}
}
