package maps_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// Images read side by side: each byte is asked for once, whatever is computed
// of it, and all see the same bytes as in a pass of their own.
func TestReadOnceSideBySide(t *testing.T) {
	const size = 0x80000
	m := parse(t, size, overlapping)
	var files []*counted
	var passes []*maps.Pass
	var data [][]byte
	for i := range 3 {
		d := noise(size)
		d[1000*i]++
		f := &counted{ReaderAt: bytes.NewReader(d)}
		b, err := maps.New("file", f, size, m, image.Options{Format: image.FormatRaw})
		require.NoError(t, err)
		f.bytes = 0
		files, data = append(files, f), append(data, d)
		passes = append(passes, &maps.Pass{Bound: b, Rules: i < 2, File: sha256.New()})
	}
	got := make([][]byte, 3)
	require.NoError(t, maps.ReadOnce(func(addr uint64, blocks [][]byte) error {
		for i, b := range blocks {
			require.EqualValues(t, addr, len(got[i]))
			got[i] = append(got[i], b...)
		}
		return nil
	}, passes...))
	const fields = 4 + 2 + 4 + 2 + 2
	for i, p := range passes {
		want := size
		if p.Rules {
			want += fields
		}
		assert.Equal(t, want, files[i].bytes, "image %d", i)
		assert.Equal(t, data[i], got[i])
		sum := sha256.Sum256(data[i])
		assert.Equal(t, sum[:], p.File.(interface{ Sum([]byte) []byte }).Sum(nil))
		if p.Rules {
			assert.Equal(t, maps.CheckSeparately(p.Bound), p.Results)
		} else {
			assert.Empty(t, p.Results)
		}
	}
}

// Random images with holes, with and without rules that need other blocks.
func TestReadGivesEveryByteOnce(t *testing.T) {
	const size = 0x48000
	data := noise(size)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 3).Draw(t, "images")
		var passes []*maps.Pass
		given := make([]uint64, n)
		for range n {
			b := randomRules(t, size, data)
			passes = append(passes, &maps.Pass{Bound: b, Rules: rapid.Bool().Draw(t, "rules")})
		}
		next := uint64(0)
		require.NoError(t, maps.ReadOnce(func(addr uint64, blocks [][]byte) error {
			require.GreaterOrEqual(t, addr, next)
			require.Len(t, blocks, n)
			size := -1
			for i, b := range blocks {
				if b == nil {
					continue
				}
				require.True(t, size < 0 || size == len(b), "blocks of one size")
				size = len(b)
				buf := make([]byte, size)
				_, err := passes[i].Bound.Image.ReadAddr(buf, addr)
				require.NoError(t, err)
				require.Equal(t, buf, b)
				given[i] += uint64(len(b))
			}
			require.Positive(t, size)
			next = addr + uint64(size)
			return nil
		}, passes...))
		for i, p := range passes {
			require.Equal(t, p.Bound.Image.Size(), given[i], "in order and so many: each byte once")
			if p.Rules {
				require.Equal(t, p.Bound.Check(), p.Results)
			}
		}
	})
}

func TestReadEndsEarly(t *testing.T) {
	const size = 0x80000
	m := parse(t, size, overlapping)
	open := func(bad image.Range) *maps.Pass {
		f := &counted{ReaderAt: bytes.NewReader(noise(size))}
		b, err := maps.New("file", f, size, m, image.Options{Format: image.FormatRaw})
		require.NoError(t, err)
		f.bad = bad
		return &maps.Pass{Bound: b, Rules: true}
	}
	enough := errors.New("enough")
	for n := 1; n <= 3; n++ {
		calls := 0
		var passes []*maps.Pass
		for range n {
			passes = append(passes, open(image.Range{}))
		}
		err := maps.ReadOnce(func(uint64, [][]byte) error { calls++; return enough }, passes...)
		require.ErrorIs(t, err, enough, n)
		assert.Equal(t, 1, calls)
	}

	// An image that cannot be read to its end leaves the others whole.
	passes := []*maps.Pass{open(image.Range{}), open(image.Range{Start: 0x41000, Size: 1})}
	passes[1].Name = "second read"
	seen := [2]int{}
	err := maps.ReadOnce(func(_ uint64, blocks [][]byte) error {
		for i, b := range blocks {
			seen[i] += len(b)
		}
		return nil
	}, passes...)
	require.ErrorIs(t, err, errBad)
	require.ErrorContains(t, err, "second read: read at 0x41000")
	assert.Equal(t, [2]int{size, 0x40000}, seen, "up to the block that cannot be read")
	for _, p := range passes {
		assert.Equal(t, maps.CheckSeparately(p.Bound), p.Results)
	}
}

func TestReadAtTheTop(t *testing.T) {
	im, err := image.FromSegments(image.Segment{Start: 0, Data: []byte{1}}, image.Segment{Start: ^uint64(0) - 1, Data: []byte{2, 3}})
	require.NoError(t, err)
	other, err := image.FromSegments(image.Segment{Start: ^uint64(0), Data: []byte{4}})
	require.NoError(t, err)
	var got []string
	a, err := maps.Bind(nil, im)
	require.NoError(t, err)
	b, err := maps.Bind(nil, other)
	require.NoError(t, err)
	require.NoError(t, maps.ReadOnce(func(addr uint64, blocks [][]byte) error {
		got = append(got, fmt.Sprintf("%X:%X", addr, blocks))
		return nil
	}, &maps.Pass{Bound: a, Rules: true}, &maps.Pass{Bound: b}))
	assert.Equal(t, []string{"0:[01 ]", "FFFFFFFFFFFFFFFE:[02 ]", "FFFFFFFFFFFFFFFF:[03 04]"}, got)
}

// Without a map there is nothing to say, and the bytes are read all the same.
func TestNoMap(t *testing.T) {
	b, err := maps.New("file", bytes.NewReader([]byte("abc")), 3, nil, image.Options{})
	require.NoError(t, err)
	assert.Empty(t, b.Coverage())
	assert.Empty(t, b.Tables())
	assert.Empty(t, b.Identity())
	patches, err := b.Seal()
	require.NoError(t, err)
	assert.Empty(t, patches)
	var file bytes.Buffer
	p := &maps.Pass{Bound: b, Rules: true, File: &file}
	require.NoError(t, maps.ReadOnce(nil, p))
	assert.Empty(t, p.Results)
	assert.Equal(t, "abc", file.String())
}
