package edits

import (
	"hash/adler32"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
)

// The moving sum must be the Adler-32 of RFC 1950, as the standard library
// computes it.
func TestWindowIsAdler32(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	data := make([]byte, 5000)
	for i := range data {
		data[i] = byte(r.Uint32() >> (i % 3 * 8))
	}
	copy(data[2000:], make([]byte, 300))
	for i := 3000; i < 3300; i++ {
		data[i] = 0xFF
	}
	var w window
	for i, b := range data {
		full := w.push(b)
		require.Equal(t, i >= AnchorSize-1, full)
		if full {
			want := data[i+1-AnchorSize : i+1]
			require.Equal(t, want, w.bytes())
			require.Equal(t, adler32.Checksum(want), w.sum(), "at %d", i)
		}
	}
}

func random(seed uint64, n int) []byte {
	r := rand.New(rand.NewPCG(seed, 7))
	out := make([]byte, n)
	for i := range out {
		out[i] = byte(r.Uint32())
	}
	return out
}

func at(t testing.TB, start uint64, data []byte) *image.Image {
	t.Helper()
	im, err := image.FromSegments(image.Segment{Start: start, Data: data})
	require.NoError(t, err)
	return im
}

// changed returns a copy of data with some bytes flipped.
func changed(data []byte, offsets ...int) []byte {
	out := append([]byte(nil), data...)
	for _, o := range offsets {
		out[o] ^= 0x5A
	}
	return out
}

func TestFind(t *testing.T) {
	base := random(1, 4096)
	first := changed(base, 100, 101, 110, 900) // two stretches, the first of two ranges
	rec, err := Record(at(t, 0x8000, base), at(t, 0x8000, first), nil, RecordOptions{Name: "first"})
	require.NoError(t, err)
	require.Len(t, rec.Edit.Stretches, 2)
	require.Len(t, rec.Edit.Stretches[0].Changes, 2)
	second := changed(base, 2000)
	rec2, err := Record(at(t, 0x8000, base), at(t, 0x8000, second), nil, RecordOptions{Name: "second", HashOnly: true})
	require.NoError(t, err)
	overFirst := changed(first, 900)
	overFirst[900] = 0x11
	rec3, err := Record(at(t, 0x8000, base), at(t, 0x8000, overFirst), nil, RecordOptions{Name: "third"})
	require.NoError(t, err)
	file := &File{Edits: []Edit{rec.Edit, rec2.Edit}}

	states := func(im *image.Image, f *File) []State {
		found, err := Find(im, f)
		require.NoError(t, err)
		var out []State
		for _, x := range found {
			out = append(out, x.State)
		}
		return out
	}
	both := changed(first, 2000)
	assert.Equal(t, []State{Absent, Absent}, states(at(t, 0x8000, base), file))
	assert.Equal(t, []State{Present, Absent}, states(at(t, 0x8000, first), file))
	assert.Equal(t, []State{Absent, Present}, states(at(t, 0x8000, second), file))
	assert.Equal(t, []State{Present, Present}, states(at(t, 0x8000, both), file))
	assert.Equal(t, []State{Partly, Absent}, states(at(t, 0x8000, changed(base, 100, 101)), file))
	other := changed(base, 2000)
	other[2000] = base[2000] ^ 1
	assert.Equal(t, []State{Absent, Different}, states(at(t, 0x8000, other), file))
	assert.Equal(t, []State{Overlaid, Present}, states(at(t, 0x8000, overFirst), &File{Edits: []Edit{rec.Edit, rec3.Edit}}))

	// Another version: 64 bytes more at the start, so everything lies higher.
	moved := append(random(9, 64), both...)
	found, err := Find(at(t, 0x8000, moved), file)
	require.NoError(t, err)
	for _, f := range found {
		assert.Equal(t, Present, f.State, f.Edit)
		for _, s := range f.Stretches {
			assert.Equal(t, int64(64), s.Shift)
			assert.Equal(t, BothAnchors, s.Confidence)
		}
	}
}

// Where the surroundings of an edit stand twice, the place is not guessed.
func TestPlaces(t *testing.T) {
	base := random(11, 4096)
	modified := changed(base, 1000)
	rec, err := Record(at(t, 0, base), at(t, 0, modified), nil, RecordOptions{Name: "e"})
	require.NoError(t, err)
	file := &File{Edits: []Edit{rec.Edit}}
	around := base[1000-AnchorSize : 1000+1+AnchorSize]
	for _, c := range []struct {
		name  string
		shape func(p []byte)
		at    uint64
		want  Confidence
	}{
		{"as recorded", func(p []byte) {}, 1000, BothAnchors},
		{"a second copy elsewhere", func(p []byte) { copy(p[3000:], around) }, 1000, BothAnchors},
		{"one side changed", func(p []byte) { p[995] ^= 1 }, 1000, OneAnchor},
		{"one side changed, a whole copy elsewhere", func(p []byte) { copy(p[3000:], around); p[995] ^= 1 }, 1000, Ambiguous},
		{"moved", func(p []byte) { copy(p[3000:], around); p[995] ^= 1; p[1005] ^= 1 }, 3000 + AnchorSize, BothAnchors},
		{"moved, one side", func(p []byte) { copy(p[3000:], around[:AnchorSize+1]); p[995] ^= 1; p[1005] ^= 1 }, 3000 + AnchorSize, OneAnchor},
		{"moved to two places", func(p []byte) { copy(p[3000:], around); copy(p[3500:], around); p[995] ^= 1; p[1005] ^= 1 }, 1000, Ambiguous},
		{"both sides changed", func(p []byte) { p[995] ^= 1; p[1005] ^= 1 }, 1000, AddressOnly},
		{"found everywhere", func(p []byte) {
			for at := 1200; at+AnchorSize < 4000; at += AnchorSize {
				copy(p[at:], around[:AnchorSize])
			}
		}, 1000, BothAnchors},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := append([]byte(nil), base...)
			c.shape(p)
			found, err := Find(at(t, 0, p), file)
			require.NoError(t, err)
			s := found[0].Stretches[0]
			assert.Equal(t, c.at, s.At.Start)
			assert.Equal(t, c.want, s.Confidence)
			assert.Equal(t, Absent, s.State)
		})
	}
}

// A file without end is bounded, and so is what it costs to look for it: an
// image in which an anchor stands at every place, and one that ends amid a
// stretch.
func TestFindHostile(t *testing.T) {
	pattern := make([]byte, 1<<16)
	for i := range pattern {
		pattern[i] = byte(i % 2)
	}
	rec, err := Record(at(t, 0, pattern), at(t, 0, changed(pattern, 1<<15)), nil, RecordOptions{Name: "e"})
	require.NoError(t, err)
	found, err := Find(at(t, 0, pattern), &File{Edits: []Edit{rec.Edit}})
	require.NoError(t, err)
	assert.Equal(t, BothAnchors, found[0].Stretches[0].Confidence)
	found, err = Find(at(t, 0x40, pattern), &File{Edits: []Edit{rec.Edit}})
	require.NoError(t, err)
	assert.Equal(t, BothAnchors, found[0].Stretches[0].Confidence)
	found, err = Find(at(t, 1<<63, pattern), &File{Edits: []Edit{rec.Edit}})
	require.NoError(t, err)
	assert.Equal(t, Ambiguous, found[0].Stretches[0].Confidence)
	assert.Equal(t, Different, found[0].State)
	found, err = Find(at(t, 0, pattern[:1<<15]), &File{Edits: []Edit{rec.Edit}})
	require.NoError(t, err)
	assert.Equal(t, Different, found[0].State, "the image ends before the edit")
}
