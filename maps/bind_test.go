package maps_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

func imageMap(t *testing.T, section string) *maps.Map {
	t.Helper()
	m, err := maps.Parse("", []byte("format = 1\n[image]\nbyte_order = \"big\"\n"+section))
	require.NoError(t, err)
	return m
}

func file(t *testing.T, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "read.bin")
	require.NoError(t, os.WriteFile(path, data, 0o600))
	return path
}

// text returns all bytes of a bound image, by segment.
func text(t *testing.T, b *maps.Bound) (out []string) {
	t.Helper()
	for _, s := range b.Image.Segments() {
		data, err := b.Image.Bytes(s)
		require.NoError(t, err)
		out = append(out, fmt.Sprintf("%X:%s", s.Start, data))
	}
	return out
}

// TestArrangement spells out each arrangement with letters, as LANGUAGE.md
// draws them.
func TestArrangement(t *testing.T) {
	for name, c := range map[string]struct {
		section, file string
		want          []string
	}{
		"base":                      {"size = 8\nbase = 0x100", "ABCDEFGH", []string{"100:ABCDEFGH"}},
		"swapped words":             {"size = 8\nswapped = 2", "BADCFEHG", []string{"0:ABCDEFGH"}},
		"swapped long words":        {"size = 8\nswapped = 4\nbase = 0x100", "DCBAHGFE", []string{"100:ABCDEFGH"}},
		"interleaved":               {"size = 8\ninterleaved = 2", "AaBbCcDd", []string{"0:ABCDabcd"}},
		"interleaved, three":        {"size = 9\ninterleaved = 3\nbase = 0x10", "A1xB2yC3z", []string{"10:ABC123xyz"}},
		"swapped, then interleaved": {"size = 8\nswapped = 2\ninterleaved = 2", "aAbBcCdD", []string{"0:ABCDabcd"}},
		"two processors": {`size = 8
parts = [{ name = "main", file = "0x0-0x5", base = 0x100 }, { name = "safety", file = "0x6+2", base = 0x8000 }]`,
			"ABCDEFgh", []string{"100:ABCDEF", "8000:gh"}},
		"interleaved processors": {`size = 8
interleaved = 2
parts = [{ name = "main", file = "0x0+4", base = 0x100 }, { name = "safety", file = "0x4+4", base = 0x8000 }]`,
			"AaBbCcDd", []string{"100:ABCD", "8000:abcd"}},
		"two chips that take turns": {`size = 8
parts = [{ name = "memory", file = ["0x0+4", "0x4+4"], base = 0x100 }]`, "ACEGBDFH", []string{"100:ABCDEFGH"}},
		"two chips of 16 bits": {`size = 8
parts = [{ name = "memory", file = ["0x0+4", "0x4+4"], unit = 2 }]`, "ABEFCDGH", []string{"0:ABCDEFGH"}},
		"part of a file": {`size = 8
parts = [{ name = "memory", file = "0x2+4", base = 0 }]`, "..ABCD..", []string{"0:ABCD"}},
	} {
		t.Run(name, func(t *testing.T) {
			m := imageMap(t, c.section)
			b, err := maps.Open(file(t, []byte(c.file)), m, image.Options{Format: image.FormatRaw})
			require.NoError(t, err)
			defer b.Close()
			assert.Equal(t, c.want, text(t, b))
			assert.Empty(t, b.Coverage())

			// What is arranged already is not arranged again.
			again, err := maps.Bind(m, b.Image)
			require.NoError(t, err)
			assert.Equal(t, c.want, text(t, again))
			assert.Empty(t, again.Coverage())

			im, err := image.FromSegments(image.Segment{Data: []byte(c.file)})
			require.NoError(t, err)
			view, err := m.Arrange(im)
			require.NoError(t, err)
			assert.Equal(t, b.Image.Segments(), view.Segments())
		})
	}
}

func TestShortAndLongFiles(t *testing.T) {
	for name, c := range map[string]struct {
		section, file string
		want          []string
		codes         []string
	}{
		"short":                 {"size = 8\nbase = 0x100", "ABCDE", []string{"100:ABCDE"}, []string{maps.CodeSize, maps.CodeMissing}},
		"long":                  {"size = 8\nbase = 0x100", "ABCDEFGHIJ", []string{"100:ABCDEFGHIJ"}, []string{maps.CodeSize, maps.CodeOutside}},
		"short, swapped":        {"size = 8\nswapped = 2", "BADCF", []string{"0:ABCD"}, []string{maps.CodeSize, maps.CodeMissing}},
		"long, swapped":         {"size = 8\nswapped = 4", "DCBAHGFEIJ", []string{"0:ABCDEFGHIJ"}, []string{maps.CodeSize, maps.CodeOutside}},
		"long, parts":           {"size = 4\nparts = [{ name = \"a\", file = \"0+2\", base = 0 }, { name = \"b\", file = \"2+2\", base = 0x100 }]", "ABcdEF", []string{"0:AB", "100:cdEF"}, []string{maps.CodeSize, maps.CodeOutside}},
		"short, interleaved":    {"size = 8\ninterleaved = 2", "AaBbC", []string{"0:AB", "4:ab"}, []string{maps.CodeSize, maps.CodeMissing}},
		"short, second part":    {"size = 8\nparts = [{ name = \"a\", file = \"0+4\", base = 0 }, { name = \"b\", file = \"4+4\", base = 0x100 }]", "ABCDef", []string{"0:ABCD", "100:ef"}, []string{maps.CodeSize, maps.CodeMissing}},
		"without a second part": {"size = 8\nparts = [{ name = \"a\", file = \"0+4\", base = 0 }, { name = \"b\", file = \"4+4\", base = 0x100 }]", "ABCD", []string{"0:ABCD"}, []string{maps.CodeSize, maps.CodeMissing}},
		"short, chips in turns": {"size = 8\nparts = [{ name = \"a\", file = [\"0+4\", \"4+4\"], base = 0 }]", "ACEGBD", []string{"0:ABCD"}, []string{maps.CodeSize, maps.CodeMissing}},
	} {
		t.Run(name, func(t *testing.T) {
			b, err := maps.Open(file(t, []byte(c.file)), imageMap(t, c.section), image.Options{Format: image.FormatRaw})
			require.NoError(t, err)
			defer b.Close()
			assert.Equal(t, c.want, text(t, b))
			var codes []string
			for _, f := range b.Coverage() {
				codes = append(codes, f.Code)
			}
			assert.Equal(t, c.codes, codes)
			again, err := maps.Bind(b.Map, b.Image) // what is arranged has no size of its own
			require.NoError(t, err)
			require.NotEmpty(t, again.Coverage(), "the other way of binding must not hide it")
		})
	}
	_, err := maps.Open(file(t, []byte("A")), imageMap(t, "size = 8\nswapped = 2"), image.Options{Format: image.FormatRaw})
	require.ErrorContains(t, err, "shorter than one unit of 2")
	_, err = maps.Open(file(t, []byte("A")), imageMap(t, `size = 8
parts = [{ name = "a", file = "4+4", base = 0 }]`), image.Options{Format: image.FormatRaw})
	require.ErrorContains(t, err, "holds nothing of any part")
}

func TestOpenOverrides(t *testing.T) {
	raw := file(t, []byte("ABCDEFGH"))
	b, err := maps.Open(raw, imageMap(t, "size = 8\nbase = 0x100"), image.Options{Base: new(uint64(0x200))})
	require.NoError(t, err)
	assert.Equal(t, []string{"200:ABCDEFGH"}, text(t, b))
	require.NotNil(t, b.Image.File(), "a plain image keeps its file")
	require.NoError(t, b.Close())

	b, err = maps.Open(raw, imageMap(t, "size = 8\nbase = 0x100\nswapped = 2"), image.Options{Base: new(uint64(0x200))})
	require.NoError(t, err)
	assert.Equal(t, []string{"200:BADCFEHG"}, text(t, b))
	require.NoError(t, b.Close())

	for _, arranged := range []string{"", "\nswapped = 2"} {
		b, err = maps.Open(raw, imageMap(t, "size = 8\nbase = 0x100"+arranged), image.Options{Base: new(uint64(0))})
		require.NoError(t, err)
		assert.Zero(t, b.Image.Bounds().Start, "a base of 0 is a base")
		require.NoError(t, b.Close())
	}

	_, err = maps.Open(raw, imageMap(t, "size = 8\nparts = [{ name = \"a\", file = \"0+8\" }]"), image.Options{Base: new(uint64(0x200))})
	require.ErrorContains(t, err, "the map places each part of the file by itself")

	// Intel HEX: four bytes at 0x0100, then the end record.
	hex := file(t, []byte(":0401000041424344F1\n:00000001FF\n"))
	_, err = maps.Open(hex, imageMap(t, "size = 8\nbase = 0x100"), image.Options{Base: new(uint64(0x200))})
	require.ErrorContains(t, err, "carries its own addresses")
	_, err = maps.Open(hex, imageMap(t, "size = 8\nbase = 0x100"), image.Options{Base: new(uint64(0))})
	require.ErrorContains(t, err, "a base of 0x0 is given")
	b, err = maps.Open(hex, imageMap(t, "size = 8\nbase = 0x100\nswapped = 2"), image.Options{})
	require.NoError(t, err)
	assert.Equal(t, []string{"100:BADC"}, text(t, b))
	require.NoError(t, b.Close())

	_, err = maps.Open(raw+"-not-there", imageMap(t, "size = 8"), image.Options{})
	require.ErrorIs(t, err, os.ErrNotExist)
	_, err = maps.Bind(nil, nil)
	require.Error(t, err)
}

// A full read that was given the wrong base is told from a read that lacks bytes.
func TestCoverageOfAWrongBase(t *testing.T) {
	m := parse(t, 0x80, "")
	at := func(base uint64, size int) string {
		data := make([]byte, size)
		b, err := maps.New("x.bin", bytes.NewReader(data), int64(size), m, image.Options{Format: image.FormatRaw, Base: &base})
		require.NoError(t, err)
		defer b.Close()
		for _, f := range b.Coverage() {
			if f.Code == maps.CodeOutside {
				return f.Message
			}
		}
		return ""
	}
	const hint = "begins at 0x40 instead of 0x0: give the file the base 0x0"
	assert.Contains(t, at(0x40, 0x80), hint)
	assert.NotContains(t, at(0x40, 0x70), hint, "not as long as a full read")
	assert.Empty(t, at(0, 0x80))
}

func TestCoverage(t *testing.T) {
	const sections = `
[[region]]
name = "boot"
range = "0x0-0xF"
role = "boot"
[[region]]
name = "learnt"
range = "0x10-0x1F"
role = "adaptation"
[[region]]
name = "spare"
range = "0x20-0x2F"
role = "unused"
[[region]]
name = "filled"
range = "0x30-0x3F"
role = "unused"
content = "expected"
`
	m := parse(t, 0x80, sections)
	full := slices.Repeat([]byte{1}, 0x80)
	assert.Empty(t, apply(t, m, image.Segment{Data: full}).Coverage())
	assert.Equal(t, []image.Range{{Start: 0x40, Size: 0x40}}, m.Unmapped())

	// A hole in every region, one outside, and bytes beyond the image.
	b := apply(t, m,
		image.Segment{Start: 0x00, Data: full[:8]}, image.Segment{Start: 0x18, Data: full[:8]}, image.Segment{Start: 0x28, Data: full[:8]},
		image.Segment{Start: 0x38, Data: full[:0x10]}, image.Segment{Start: 0x60, Data: full[:0x40]})
	type row struct {
		code     string
		severity evidence.Severity
		region   string
		ranges   string
	}
	var got []row
	for _, f := range b.Coverage() {
		got = append(got, row{f.Code, f.Severity, f.Region, fmt.Sprint(f.Ranges)})
	}
	assert.Equal(t, []row{
		{maps.CodeMissing, evidence.Fault, "boot", "[0x8-0xF]"},
		{maps.CodeMissing, evidence.Caution, "learnt", "[0x10-0x17]"},
		{maps.CodeMissing, evidence.Note, "spare", "[0x20-0x27]"},
		{maps.CodeMissing, evidence.Fault, "filled", "[0x30-0x37]"},
		{maps.CodeMissing, evidence.Note, "", "[0x48-0x5F]"},
		{maps.CodeOutside, evidence.Caution, "", "[0x80-0x9F]"},
	}, got)

	twice := apply(t, m, image.Segment{Data: append(full, full...)}).Coverage()
	require.Equal(t, maps.CodeSize, twice[0].Code)
	assert.Equal(t, evidence.Fault, twice[0].Severity)
	assert.Contains(t, twice[0].Message, "read more than once")
}
