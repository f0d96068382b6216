package maps_test

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
	"example.com/calproof/maps"
	"example.com/calproof/maps/demo"
)

// TestPredictGivesWhatCheckGives compares predictions with all rules evaluated
// anew on the patched image.
func TestPredictGivesWhatCheckGives(t *testing.T) {
	const size = 0x48000
	data := noise(size)
	known, unknown, changed := 0, map[string]int{}, 0
	rapid.Check(t, func(t *rapid.T) {
		b := randomRules(t, size, data)
		var patches []maps.Patch
		at := uint64(rapid.IntRange(0, 0x2000).Draw(t, "first"))
		for range rapid.IntRange(0, 12).Draw(t, "patches") {
			p := maps.Patch{Addr: at, After: rapid.SliceOfN(rapid.SampledFrom([]byte{0, 1, 0x80, 0xFF}), 1, 40).Draw(t, "bytes")}
			if b.Image.Covers(image.Range{Start: at, Size: uint64(len(p.After))}) {
				patches = append(patches, p)
			}
			at += uint64(len(p.After) + rapid.SampledFrom([]int{0, 1, 100, 0x3000, 0x9000}).Draw(t, "between"))
		}
		patches = rapid.Permutation(patches).Draw(t, "order")
		before := b.Check()
		predictions, err := b.Predict(before, patches)
		require.NoError(t, err)
		patched, err := b.Apply(patches)
		require.NoError(t, err)
		after := patched.Check()
		require.Len(t, predictions, len(after))
		for i, p := range predictions {
			require.Equal(t, after[i].Rule, p.Rule)
			require.Equal(t, after[i].Repeat, p.Repeat)
			if !p.Known() {
				require.Empty(t, p.Computed)
				require.False(t, p.Equals(after[i]))
				unknown[p.Reason]++
				continue
			}
			known++
			require.Equal(t, after[i].Computed, p.Computed)
			require.True(t, p.Equals(after[i]))
			if p.Changed > 0 {
				changed++
			} else {
				require.True(t, p.Equals(before[i]))
			}
		}
	})
	t.Log(known, "known, of which with changed bytes", changed, "unknown:", unknown)
	assert.NotZero(t, changed)
	assert.NotEmpty(t, unknown)
}

// Predict reads what the patches replace, not what rules count.
func TestPredictReadsOnlyChangedBytes(t *testing.T) {
	data := noise(0x80000)
	file := &counted{ReaderAt: bytes.NewReader(data)}
	b, err := maps.New("file", file, 0x80000, parse(t, 0x80000, overlapping), image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	before := b.Check()
	file.bytes = 0
	patches := []maps.Patch{{Addr: 0x50000, After: []byte{1, 2, 3}}, {Addr: 0x10, After: []byte{9}}}
	predictions, err := b.Predict(before, patches)
	require.NoError(t, err)
	assert.Equal(t, 4, file.bytes)
	after, err := b.Apply(patches)
	require.NoError(t, err)
	for i, r := range after.Check() {
		if r.Rule == "goes on" {
			assert.Contains(t, predictions[i].Reason, `it starts from the result of "begins"`)
			continue
		}
		assert.True(t, predictions[i].Equals(r), r.Rule)
	}
	assert.EqualValues(t, 4, predictions[0].Changed)
	assert.EqualValues(t, 7, predictions[2].Changed, "three bytes twice, one once")
}

func TestPredictDoesNotGuess(t *testing.T) {
	data := noise(0x100)
	data[0xF0] = 0x10
	b := flat(t, data, `
[[checksum]]
name = "digest"
algorithm = "SHA-256"
cover = ["0x0-0xF"]
target = 0
[[checksum]]
name = "length in the image"
algorithm = "CRC-16/IBM-3740"
cover = [{ start = 0x20, length = { at = 0xF0, type = "u8" } }]
target = 0
[[checksum]]
name = "masked"
algorithm = "CRC-16/IBM-3740"
cover = [{ bytes = "AA BB CC" }, "0x40-0x4F"]
count = [{ range = "0x44-0x47", as = 0xFF }]
stored = { at = 0xE0, keep = "low", bytes = 1 }
[[checksum]]
name = "carry of zeros"
algorithm = "carry-16/u16be/ones-complement"
cover = [{ bytes = "00 00" }, "0x60-0x61"]
target = 0
`)
	predict := func(addr uint64, after ...byte) []maps.Prediction {
		p, err := b.Predict(b.Check(), []maps.Patch{{Addr: addr, After: after}})
		require.NoError(t, err)
		return p
	}
	assert.Contains(t, predict(0x0F, 1)[0].Reason, "a digest does not tell")
	assert.True(t, predict(0x10, 1)[0].Known(), "the patch lies after it")
	assert.Contains(t, predict(0xF0, 0x11)[1].Reason, "the patches change what it counts")
	assert.Contains(t, predict(0x60, 0, 0)[3].Reason, "0 or all ones")

	masked := predict(0x43, 1, 2, 3, 4, 5, 6)[2]
	assert.EqualValues(t, 2, masked.Changed, "four of the six bytes count as 0xFF")
	assert.Len(t, masked.Computed, len("0x00"), "as the field keeps it")
	assert.True(t, predict(0x44, 1, 2, 3, 4)[2].Equals(b.Check()[2]))
	assert.False(t, predict(0x43, 1, 2, 3, 4)[2].Equals(b.Check()[2]))

	results := b.Check()
	for name, c := range map[string]struct {
		results []maps.RuleResult
		patches []maps.Patch
		want    string
	}{
		"too few":     {results[:2], nil, "2 results were given, but this image has 4"},
		"other order": {[]maps.RuleResult{results[1], results[0], results[2], results[3]}, nil, `result 1 is of checksum "length in the image", where checksum "digest" is expected`},
		"not held":    {results, []maps.Patch{{Addr: 0x100, After: []byte{1}}}, "0x100"},
		"overlap":     {results, []maps.Patch{{Addr: 1, After: []byte{1, 2}}, {Addr: 2, After: []byte{1}}}, "overlap"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := b.Predict(c.results, c.patches)
			require.ErrorContains(t, err, c.want)
		})
	}
}

// With many scattered changes there is no point in following each.
func TestPredictManyChanges(t *testing.T) {
	b := flat(t, noise(0x4000), `
[[checksum]]
name = "all"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0x3FFF"]
target = 0
`)
	var patches []maps.Patch
	for addr := uint64(0); addr < 0x2000; addr += 2 {
		patches = append(patches, maps.Patch{Addr: addr, After: []byte{0x55}})
	}
	p, err := b.Predict(b.Check(), patches)
	require.NoError(t, err)
	require.True(t, p[0].Known())
	after, err := b.Apply(patches)
	require.NoError(t, err)
	assert.True(t, p[0].Equals(after.Check()[0]))
	p, err = b.Predict(b.Check(), append(patches, maps.Patch{Addr: 0x3000, After: []byte{0x55}}))
	require.NoError(t, err)
	assert.Equal(t, "more than 4096 stretches of what it counts change", p[0].Reason)
}

// Every edit of the demo: what the rules of the edited image give is known from
// the original and the bytes that differ.
func TestPredictDemoEdits(t *testing.T) {
	files, err := demo.Files()
	require.NoError(t, err)
	m, err := maps.Parse(files[0].Name, files[0].Data)
	require.NoError(t, err)
	var images []*maps.Bound
	for _, f := range files[1:] {
		b, err := maps.New(f.Name, bytes.NewReader(f.Data), int64(len(f.Data)), m, image.Options{})
		require.NoError(t, err)
		images = append(images, b)
	}
	first := images[0]
	data, err := first.Image.Bytes(first.Image.Segments()[0])
	require.NoError(t, err)
	base, compared := first.Image.Segments()[0].Start, 0
	for _, b := range images[1:] {
		segments := b.Image.Segments()
		if len(segments) != 1 || segments[0] != first.Image.Segments()[0] {
			continue
		}
		other, err := b.Image.Bytes(segments[0])
		require.NoError(t, err)
		var patches []maps.Patch
		for i := range data {
			if data[i] != other[i] {
				patches = append(patches, maps.Patch{Addr: base + uint64(i), After: other[i : i+1]})
			}
		}
		predictions, err := first.Predict(first.Check(), patches)
		require.NoError(t, err)
		for i, r := range b.Check() {
			if predictions[i].Known() {
				compared++
				require.True(t, predictions[i].Equals(r), "%s: %s", r.Rule, predictions[i].Computed)
			}
		}
	}
	require.NotZero(t, compared)
}

// Sealing a chain of rules that each cover the field before reads the image for
// the values and for the proof, and not for each of them.
func TestSealReadsTwice(t *testing.T) {
	file := &counted{ReaderAt: bytes.NewReader(noise(0x80000))}
	b, err := maps.New("file", file, 0x80000, parse(t, 0x80000, `
[[checksum]]
name = "inner"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0x6FFFF"]
stored = { at = 0x70000 }
[[checksum]]
name = "middle"
sum = { width = 32, word = 4 }
cover = ["0x0-0x70003"]
stored = { at = 0x70004 }
[[checksum]]
name = "all"
algorithm = "CRC-16/IBM-3740"
cover = ["0x0-0x7FFFF"]
target = 0
rebalance = { at = 0x7FFF0, bytes = 2 }
`), image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	file.bytes = 0
	patches, err := b.Seal()
	require.NoError(t, err)
	require.Len(t, patches, 3)
	assert.InDelta(t, 2*0x80000, file.bytes, 256, "besides fields and cells")
}
