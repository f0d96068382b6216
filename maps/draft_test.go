package maps_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

func TestDraft(t *testing.T) {
	data := noise(0x8000)
	copy(data[0x2000:0x4000], slices.Repeat([]byte{0xFF}, 0x2000))
	copy(data[0x6000:0x6200], slices.Repeat([]byte{0xFF}, 0x200)) // just long enough
	data[0x5FFF], data[0x6200] = 1, 1
	copy(data[0x7000:], slices.Repeat([]byte{0x00}, 0x1000))
	copy(data[0x5000:], "\x0011111111111111111\x00")
	im, err := image.FromSegments(image.Segment{Start: 0x10000, Data: data})
	require.NoError(t, err)
	text, err := maps.Draft(im)
	require.NoError(t, err)
	m, err := maps.Parse("draft.toml", text)
	require.NoError(t, err, "%s", text)
	var got []string
	for _, r := range m.Regions {
		got = append(got, r.Range.String()+" "+string(r.Role)+" "+string(r.Edit))
	}
	assert.Equal(t, []string{
		"0x10000-0x11FFF program forbidden",
		"0x12000-0x13FFF unused forbidden",
		"0x14000-0x15FFF program forbidden",
		"0x16000-0x161FF unused forbidden",
		"0x16200-0x16FFF program forbidden",
		"0x17000-0x17FFF unused forbidden",
	}, got)
	assert.Equal(t, byte(0xFF), m.Image.Erased)
	assert.Contains(t, string(text), `holds "11111111111111111"`)
	assert.Contains(t, string(text), `# range = "0x15001-0x15011"`)
	b, err := maps.Bind(m, im)
	require.NoError(t, err)
	assert.Empty(t, b.Coverage())

	// The commented examples are right as they stand.
	live := strings.NewReplacer("# [[", "[[", "# name", "name", "# range", "range", "# as ", "as ", "# algorithm", "algorithm",
		"# cover", "cover", "# stored", "stored", "# at ", "at ", "# cell", "cell", "# x ", "x ",
		"# [bench]", "[bench]", "# min_", "min_", "# max_", "max_", "# line_", "line_", "# read_", "read_").Replace(string(text))
	m, err = maps.Parse("draft.toml", []byte(live))
	require.NoError(t, err, "%s", live)
	assert.Len(t, m.Tables, 1)
	assert.Len(t, m.Checksums, 1)
	assert.Len(t, m.Identities, 1)

	im, err = image.FromSegments(image.Segment{Data: []byte{1}})
	require.NoError(t, err)
	text, err = maps.Draft(im)
	require.NoError(t, err)
	assert.Contains(t, string(text), "raw, 1 byte in 1 segment.")
	assert.Contains(t, string(text), "# [[identity]]")

	empty, err := image.FromSegments()
	require.NoError(t, err)
	_, err = maps.Draft(empty)
	require.ErrorContains(t, err, "holds no bytes")
}

// TestDraftsParse drafts maps for images of all shapes.
func TestDraftsParse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var segments []image.Segment
		at := rapid.Uint64().Draw(t, "start")
		for range rapid.IntRange(1, 200).Draw(t, "segments") {
			n := rapid.IntRange(1, 600).Draw(t, "size")
			fill := rapid.SampledFrom([]int{0x00, 0xFF, 0x33, -1}).Draw(t, "fill")
			data := noise(n)
			for i := range data {
				if fill >= 0 {
					data[i] = byte(fill)
				}
			}
			if uint64(n) > ^at {
				break
			}
			segments = append(segments, image.Segment{Start: at, Data: data})
			gap := uint64(n) + rapid.SampledFrom([]uint64{0, 1, 0x1000, 1 << 40}).Draw(t, "gap")
			if gap > ^at {
				break
			}
			at += gap
		}
		im, err := image.FromSegments(segments...)
		require.NoError(t, err)
		if im.Size() == 0 {
			t.Skip("no bytes")
		}
		text, err := maps.Draft(im)
		require.NoError(t, err)
		m, err := maps.Parse("draft.toml", text)
		require.NoError(t, err, "%s", text)
		b, err := maps.Bind(m, im)
		require.NoError(t, err)
		for _, f := range b.Coverage() {
			assert.NotEqual(t, maps.CodeSize, f.Code)
			assert.NotEqual(t, maps.CodeOutside, f.Code)
			assert.Empty(t, f.Region, "a region of the draft has bytes missing: %s", f.Message)
		}
	})
}

// A raw file that looks like records: the draft says that it is none, and is
// enough to open it again. What is given beside the map goes before it.
func TestDraftStatesTheFormat(t *testing.T) {
	looksLike := map[string]string{
		"records": ":0401000041424344F1\n:00000001FF\n",
		"ELF":     "\x7FELF and what is no header",
		"UTF-16":  "\xFF\xFE:\x000\x000\x000\x000\x000\x000\x000\x001\x00F\x00F\x00",
	}
	for name, text := range looksLike {
		open := func(m *maps.Map, f image.Format) (*maps.Bound, error) {
			return maps.New(name, strings.NewReader(text), int64(len(text)), m, image.Options{Format: f})
		}
		b, err := open(nil, image.FormatRaw)
		require.NoError(t, err)
		draft, err := maps.Draft(b.Image)
		require.NoError(t, err)
		m, err := maps.Parse("draft.toml", draft)
		require.NoError(t, err, "%s", draft)
		assert.EqualValues(t, "raw", m.Image.FileFormat, name)
		b, err = open(m, image.FormatAuto)
		require.NoError(t, err)
		assert.Equal(t, image.FormatRaw, b.Image.Format())
		assert.Empty(t, b.Coverage())
		b, err = open(m, image.FormatIntelHex)
		assert.True(t, err != nil || b.Image.Format() == image.FormatIntelHex, name)
	}
	plain, err := maps.New("plain", strings.NewReader("abc"), 3, nil, image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	draft, err := maps.Draft(plain.Image)
	require.NoError(t, err)
	assert.NotContains(t, string(draft), "file_format", "where nothing else fits")
}
