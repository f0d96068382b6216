package browsertest

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/edits"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// cases are pages whose shape is out of the ordinary.
func cases(t *testing.T, s scenario) []aPage {
	t.Helper()
	return []aPage{
		{name: "diff-edits", html: withEdits(t, s),
			wants:  []string{"recorded edits", "spring tune: made", "2 changed bytes belong to no recorded edit", "0x120-0x121, 2 bytes: table wait for programming", "table warm-up idle speed", "stored value of checksum boot crc"},
			prints: []string{"belong to no recorded edit"}},
		{name: "diff-gaps", html: gaps(t, s), wants: []string{"2 bytes changed", "zigzag line: 4,160,618,496 bytes left out", "1. 0x8000000-0x800ffff", "2. 0xffff0000-0xffff3fff"}, prints: []string{"0xffff0010"}},
		{name: "diff-hundred-regions", html: manyRegions(t), big: true,
			wants:  []string{"60 of 100 regions are named here", "100. region 99", "3 bytes changed"},
			prints: []string{"100. region 99"}},
		{name: "diff-tables", html: tables(t),
			wants: []string{"2 of 64 rows are shown: those with a change", "1 of 1 cell changed by +3 v", "nan", "2 of 4,096 cells changed"}, prints: []string{"2 of 64 rows are shown: those with a change"}},
	}
}

// withEdits names one recorded edit and leaves the change of the boot region
// unexplained.
func withEdits(t *testing.T, s scenario) []byte {
	t.Helper()
	before, after := s.image(t, "backup.bin"), s.image(t, "edited-boot.bin")
	rec, err := edits.Record(before, s.image(t, "edited.bin"), s.m, edits.RecordOptions{Name: "spring tune"})
	require.NoError(t, err)
	explained, err := edits.Explain(before, after, s.m, &edits.File{Edits: []edits.Edit{rec.Edit}})
	require.NoError(t, err)
	d, err := diffmap.Compare(before, after, s.m, diffmap.Options{})
	require.NoError(t, err)
	return render(t, report.DiffData{Original: "backup.bin", Modified: "edited-boot.bin", Map: report.SummaryOf(s.m), Result: d, Edits: explained},
		report.Sources{Before: before, After: after, Map: s.m, Files: []report.FileID{s.id("original", "backup.bin")}})
}

// gaps is an image of two pieces far apart, as record files have them.
func gaps(t *testing.T, s scenario) []byte {
	t.Helper()
	open := func(xor byte) *image.Image {
		low, high := bytes.Repeat([]byte{1, 2, 3, 4}, 0x4000), bytes.Repeat([]byte{5, 6, 7, 8}, 0x1000)
		low[0x20] ^= xor
		high[0x10] ^= xor
		im, err := image.FromSegments(image.Segment{Start: 0x0800_0000, Data: low}, image.Segment{Start: 0xFFFF_0000, Data: high})
		require.NoError(t, err)
		return im
	}
	return s.diff(t, open(0), open(0x40), nil)
}

func bound(t *testing.T, text string) *maps.Map {
	t.Helper()
	m, err := maps.Parse("case.toml", []byte(text))
	require.NoError(t, err)
	return m
}

func compared(t *testing.T, m *maps.Map, a, b []byte) []byte {
	t.Helper()
	open := func(data []byte) *image.Image {
		im, err := image.FromSegments(image.Segment{Data: data})
		require.NoError(t, err)
		return im
	}
	before, after := open(a), open(b)
	d, err := diffmap.Compare(before, after, m, diffmap.Options{})
	require.NoError(t, err)
	return render(t, report.DiffData{Original: "a.bin", Modified: "b.bin", Map: report.SummaryOf(m), Result: d}, report.Sources{Before: before, After: after, Map: m})
}

func manyRegions(t *testing.T) []byte {
	t.Helper()
	var text strings.Builder
	text.WriteString("format = 1\ntitle = \"Many\"\n[image]\nsize = 0x6400\nbyte_order = \"big\"\n")
	for i := range 100 {
		fmt.Fprintf(&text, "[[region]]\nname = \"region %d\"\nrange = \"0x%X+0x100\"\nrole = \"calibration\"\n", i, i*0x100)
	}
	a := bytes.Repeat([]byte("not erased, that "), 0x6400/17+1)[:0x6400]
	b := bytes.Clone(a)
	b[0], b[0x3210], b[0x63FF] = 0, 0, 0
	return compared(t, bound(t, text.String()), a, b)
}

func tables(t *testing.T) []byte {
	t.Helper()
	const text = `format = 1
title = "Tables"
[image]
size = 0x2000
byte_order = "big"
[[region]]
name = "values"
range = "0x0-0x1FFF"
role = "calibration"
[[table]]
name = "wide"
at = 0x100
cell = { type = "u8", unit = "%" }
x = { at = 0x0, count = 64, type = "u8" }
y = { at = 0x40, count = 64, type = "u8" }
[[table]]
name = "alone"
at = 0x1800
cell = { type = "u16", unit = "V" }
[[table]]
name = "floating"
at = 0x1900
cell = { type = "f32", unit = "bar" }
x = { values = [1, 2, 3, 4] }
`
	a := make([]byte, 0x2000)
	for i := range a {
		a[i] = byte(i*7 + i>>8)
	}
	for i := range 4 {
		binary.BigEndian.PutUint32(a[0x1900+4*i:], math.Float32bits(float32(i)+0.5))
	}
	binary.BigEndian.PutUint16(a[0x1800:], 12)
	b := bytes.Clone(a)
	b[0x100+5] += 20
	b[0x100+64*63] -= 9
	binary.BigEndian.PutUint16(b[0x1800:], 15)
	binary.BigEndian.PutUint32(b[0x1900:], math.Float32bits(float32(math.NaN())))
	binary.BigEndian.PutUint32(b[0x1904:], math.Float32bits(float32(math.Inf(1))))
	return compared(t, bound(t, text), a, b)
}
