package edits

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// Every mistake is reported in one run, with its line and key.
func TestParseProblems(t *testing.T) {
	const text = `format = 2
[[edit]]
name = "a\u202Eb"
[[edit.stretch]]
lead = { adler32 = "12", sha256 = "00" }
[[edit.stretch.change]]
range = "0x10-0x11"
before = "0102"
after = "0102"
[[edit.stretch.change]]
range = "0x12"
before = "xyz"
after_sha256 = "abc"
[[edit.stretch.change]]
range = "0x100-0x101"
before = "01"
after = "0203"
after_sha256 = "0000000000000000000000000000000000000000000000000000000000000000"
[[edit]]
name = "twice"
[[edit]]
name = "twice"
  [[edit.stretch]]
  [[edit.stretch.change]]
  range = "0x0+0x200000"
  before_sha256 = "11b34d7ba4e9b1b9c0c7c5ba55ed1d3c04b1b2b9b0a6a0b6ffcc64b15fa0d21e"
  after_sha256 = "22b34d7ba4e9b1b9c0c7c5ba55ed1d3c04b1b2b9b0a6a0b6ffcc64b15fa0d21e"
`
	_, err := Parse("e.toml", []byte(text))
	require.Error(t, err)
	got := err.Error()
	for _, want := range []string{
		"e.toml:1: format: this program reads format 1, not 2",
		`e.toml:3: edit[1].name: name "a\u202eb" holds a character that does not print`,
		`e.toml:5: edit[1].stretch[1].lead.adler32: "12" is no 32-bit`,
		`e.toml:5: edit[1].stretch[1].lead.sha256: "00" is no SHA-256`,
		"e.toml:6: edit[1].stretch[1].change[1]: the bytes before and after are the same",
		"e.toml:11: edit[1].stretch[1].change[2].range: ",
		`e.toml:12: edit[1].stretch[1].change[2].before: "xyz" is no string`,
		`e.toml:13: edit[1].stretch[1].change[2].after_sha256: "abc" is no SHA-256`,
		"e.toml:16: edit[1].stretch[1].change[3].before: 1 bytes for a range of 2",
		"e.toml:17: edit[1].stretch[1].change[3].after: give the bytes or their SHA-256, not both",
		"e.toml:19: edit[2]: no stretch",
		`e.toml:22: edit[3].name: "twice" is already the name of edit[2]`,
		"e.toml:25: edit[3].stretch[1].change[1].range: 2097152 bytes are more than an edit may change (1048576)",
	} {
		assert.Contains(t, got, want)
	}
	assert.Len(t, strings.Split(got, "\n"), 13, "%s", got)
}

func TestParseStretchLimits(t *testing.T) {
	change := func(at string) string {
		return "[[edit.stretch.change]]\nrange = \"" + at + "\"\nbefore = \"00\"\nafter = \"01\"\n"
	}
	head := "format = 1\n[[edit]]\nname = \"n\"\n[[edit.stretch]]\n"
	for _, c := range []struct{ text, want string }{
		{head + change("0x10+1") + change("0x31+1"), ""},
		{head + change("0x10+1") + change("0x32+1"), "e.toml:10: edit[1].stretch[1].change[2].range: 0x32-0x32 lies more than 32 bytes after 0x10-0x10"},
		{head + change("0x10+1") + change("0x11+1"), "does not lie clear"},
		{head + change("0x10+1") + change("0x5+1"), "does not lie clear"},
		{head + change("0xFFFFFFFFFFFFFFFF+1") + change("0x0+1"), "does not lie clear"},
	} {
		_, err := Parse("e.toml", []byte(c.text))
		if c.want == "" {
			assert.NoError(t, err)
			continue
		}
		assert.ErrorContains(t, err, c.want)
	}
}

// A file of a thousand mistakes does not answer with a thousand lines, and one
// with too many edits is refused before they are looked at.
func TestParseBounds(t *testing.T) {
	_, err := Parse("e.toml", []byte("format = 1\n"+strings.Repeat("[[edit]]\n", 900)))
	require.Error(t, err)
	assert.Len(t, strings.Split(err.Error(), "\n"), maxProblems+1)
	assert.ErrorContains(t, err, "mistakes more")
	_, err = Parse("e.toml", []byte("format = 1\n"+strings.Repeat("[[edit]]\n", MaxEdits+1)))
	assert.ErrorContains(t, err, "a file holds at most 1000 edits")
	path := filepath.Join(t.TempDir(), "large.toml")
	require.NoError(t, os.WriteFile(path, nil, 0o666))
	require.NoError(t, os.Truncate(path, MaxFileSize+1))
	_, err = Load(path)
	assert.ErrorContains(t, err, "more than the 67108864 bytes")
}

// Names and notes from a command line cannot break out of their quotes.
func TestHostileText(t *testing.T) {
	base := random(6, 512)
	rec, err := Record(at(t, 0, base), at(t, 0, changed(base, 100)), nil, RecordOptions{Name: "n", Note: "a\"\n[[edit]]\\\x00\u202e\U000e0041\xff"})
	require.NoError(t, err)
	rec.Edit.Cells = []string{"\",\n]\nname = \"x\""}
	text, err := rec.Edit.AppendTo("e.toml", nil)
	require.NoError(t, err)
	file, err := Parse("e.toml", text)
	require.NoError(t, err)
	require.Len(t, file.Edits, 1)
	assert.Equal(t, "a\"\n[[edit]]\\\x00\u202e\U000e0041\uFFFD", file.Edits[0].Note)
	assert.Equal(t, rec.Edit.Cells, file.Edits[0].Cells)
	assert.NotContains(t, string(text), "\u202e", "nor steer an editor")
	for _, name := range []string{"", " ", "a\nb", "\x1b[2J", strings.Repeat("n", 121), "\xff"} {
		_, err := Record(at(t, 0, base), at(t, 0, changed(base, 100)), nil, RecordOptions{Name: name})
		assert.Error(t, err, "%q", name)
	}
}

// With a map, what follows from an edit is no part of it: stored values, cells
// that balance a sum, what the controller learns.
func TestRecordLeavesOut(t *testing.T) {
	m, err := maps.Parse("m.toml", []byte(`format = 1
[image]
size = 0x400
byte_order = "big"
[[region]]
name = "values"
range = "0x0-0x2FF"
role = "calibration"
[[region]]
name = "learnt"
range = "0x300-0x3FF"
role = "adaptation"
[[checksum]]
name = "crc"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0xFB"]
stored = { at = 0xFC }
[[checksum]]
name = "zero sum"
algorithm = "sum-32/u32be"
cover = ["0x100-0x1FF"]
target = 0
rebalance = { at = 0x1FC, bytes = 4 }
`))
	require.NoError(t, err)
	base := random(8, 0x400)
	rec, err := Record(at(t, 0, base), at(t, 0, changed(base, 0x50, 0xFC, 0x150, 0x1FD, 0x320)), m, RecordOptions{Name: "n"})
	require.NoError(t, err)
	var ranges []image.Range
	for _, s := range rec.Edit.Stretches {
		for _, c := range s.Changes {
			ranges = append(ranges, c.Range)
			assert.Equal(t, "values", c.Region)
		}
	}
	assert.Equal(t, []image.Range{{Start: 0x50, Size: 1}, {Start: 0x150, Size: 1}}, ranges)
	require.Len(t, rec.LeftOut, 2)
	assert.Contains(t, rec.LeftOut[0], "2 changed bytes")
	assert.Contains(t, rec.LeftOut[1], "1 changed byte in")
}
