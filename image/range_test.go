package image_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
)

const top = math.MaxUint64

func rng(start, size uint64) image.Range { return image.Range{Start: start, Size: size} }

func TestParseRange(t *testing.T) {
	good := map[string]image.Range{
		"0x70000-0x7FFFF":                       rng(0x70000, 0x10000),
		"0x70000+0x10000":                       rng(0x70000, 0x10000),
		" 16 - 31 ":                             rng(16, 16),
		"0-0":                                   rng(0, 1),
		"0b1000+0o10":                           rng(8, 8),
		"0x0007_0000+1_000":                     rng(0x70000, 1000),
		"0xFFFFFFFFFFFFFFFF+1":                  rng(top, 1),
		"0xFFFFFFFFFFFFFFFF-0xFFFFFFFFFFFFFFFF": rng(top, 1),
		"1-0xFFFFFFFFFFFFFFFF":                  rng(1, top),
		"0+0xFFFFFFFFFFFFFFFF":                  rng(0, top),
		"0xabcdef-0xABCDEF":                     rng(0xABCDEF, 1),
	}
	for s, want := range good {
		got, err := image.ParseRange(s)
		require.NoError(t, err, s)
		assert.Equal(t, want, got, s)
		again, err := image.ParseRange(got.String())
		require.NoError(t, err)
		assert.Equal(t, got, again, "what String writes is read again")
	}
	bad := map[string]string{
		"":                       "write",
		"0x70000":                "write",
		"-":                      "no number",
		"1-":                     "no number",
		"x+1":                    `"x" is no number`,
		"1+0":                    "size is zero",
		"2-1":                    "before its start",
		"0xFFFFFFFFFFFFFFFF+2":   "past the top",
		"1+0xFFFFFFFFFFFFFFFF+1": "no number",
		"0-0xFFFFFFFFFFFFFFFF":   "whole address space",
		"0x10000000000000000+1":  "does not fit in 64 bits",
		"010-020":                "starts with 0",
		"1--2":                   "no number",
		"1.5-2":                  "no number",
		"0x1-0x2-0x3":            "no number",
	}
	for s, want := range bad {
		_, err := image.ParseRange(s)
		require.ErrorContains(t, err, want, "%q", s)
	}
}

func TestRangeAtTheTop(t *testing.T) {
	last := rng(top, 1)
	upper := rng(top-9, 10)
	assert.EqualValues(t, 0, upper.End(), "2^64 wraps to 0")
	assert.EqualValues(t, uint64(top), upper.Last())
	assert.True(t, upper.Contains(top) && upper.Contains(top-9) && !upper.Contains(top-10) && !upper.Contains(0))
	assert.True(t, upper.Covers(last) && !last.Covers(upper) && upper.Covers(upper))
	assert.True(t, last.Covers(rng(5, 0)))
	both, ok := upper.Intersect(rng(0, top))
	assert.True(t, ok)
	assert.Equal(t, rng(top-9, 9), both)
	_, ok = upper.Intersect(rng(0, 5))
	assert.False(t, ok)
	assert.Equal(t, []image.Range{rng(top-20, 21)}, image.MergeRanges([]image.Range{upper, rng(top-20, 15), last}))
	assert.Equal(t, []image.Range{rng(top-9, 4), rng(top, 1)}, image.SubtractRanges([]image.Range{upper}, []image.Range{rng(top-5, 5)}))
	assert.Equal(t, []image.Range{rng(top-9, 9)}, image.SubtractRanges([]image.Range{upper}, []image.Range{last}))
	assert.Empty(t, image.SubtractRanges([]image.Range{upper}, []image.Range{rng(1, top)}))
	assert.Equal(t, []image.Range{rng(0, 1)}, image.SubtractRanges([]image.Range{rng(0, top)}, []image.Range{rng(1, top)}))
	assert.Equal(t, "0xFFFFFFFFFFFFFFF6-0xFFFFFFFFFFFFFFFF", upper.String())
	assert.Equal(t, "0x5+0x0", rng(5, 0).String())
}

// A bitmap over a small window of addresses is the model: one element for each
// address, the window at the bottom or at the top of the address space.
const windowSize = 40

type bitmap [windowSize]bool

func toBitmap(base uint64, ranges []image.Range) (b bitmap) {
	for _, r := range ranges {
		for i := range r.Size {
			b[r.Start+i-base] = true
		}
	}
	return b
}

func TestRangeSetsAgainstBitmap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := rapid.SampledFrom([]uint64{0, 1000, top - windowSize + 1}).Draw(t, "base")
		draw := func(name string) []image.Range {
			return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) image.Range {
				off := rapid.Uint64Range(0, windowSize-1).Draw(t, "offset")
				return rng(base+off, rapid.Uint64Range(0, min(8, windowSize-off)).Draw(t, "size"))
			}), 0, 8).Draw(t, name)
		}
		a, b := draw("a"), draw("b")
		inA, inB := toBitmap(base, a), toBitmap(base, b)
		canonical := func(ranges []image.Range) {
			for i, r := range ranges {
				require.NotZero(t, r.Size)
				if i > 0 {
					require.Greater(t, r.Start-1, ranges[i-1].Last(), "sorted, and not touching: %v", ranges)
				}
			}
		}
		merged := image.MergeRanges(a)
		canonical(merged)
		require.Equal(t, inA, toBitmap(base, merged))
		left := image.SubtractRanges(a, b)
		canonical(left)
		want := inA
		count := uint64(0)
		for i := range want {
			want[i] = inA[i] && !inB[i]
			if inA[i] {
				count++
			}
		}
		require.Equal(t, want, toBitmap(base, left))
		require.Equal(t, count, image.TotalSize(merged))
		for _, x := range a {
			for _, y := range b {
				ones, other := toBitmap(base, []image.Range{x}), toBitmap(base, []image.Range{y})
				overlap, covers := false, true
				for i := range ones {
					overlap = overlap || ones[i] && other[i]
					covers = covers && (ones[i] || !other[i])
				}
				both, ok := x.Intersect(y)
				require.Equal(t, overlap, ok)
				require.Equal(t, covers, x.Covers(y))
				if ok {
					require.True(t, x.Covers(both) && y.Covers(both))
				}
			}
		}
	})
}
