package diffmap

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/maps"
)

func TestDiffMaps(t *testing.T) {
	text, err := os.ReadFile("testdata/small.toml")
	require.NoError(t, err)
	a := smallMap(t)
	parse := func(old, new string) *maps.Map {
		changed := strings.Replace(string(text), old, new, 1)
		require.NotEqual(t, string(text), changed)
		m, err := maps.Parse("changed.toml", []byte(changed))
		require.NoError(t, err)
		return m
	}
	assert.Empty(t, DiffMaps("a", a, "b", parse(`"0x2100-0x2FFF"`, `"8448+0xF00" # the same, written otherwise`)))
	diff := DiffMaps("a.toml", a, "b.toml", parse("scale = 0.25", "scale = 0.5"))
	assert.Contains(t, diff, "--- a.toml\n+++ b.toml\n")
	assert.Contains(t, diff, "\n-table \"idle speed\".cell.scale = 0.25\n+table \"idle speed\".cell.scale = 0.5\n")
	assert.Equal(t, 3, strings.Count(diff, "\n-")+strings.Count(diff, "\n+"), "one line for another, and the second name: %s", diff)
}

// Every key of every rule that the map language knows reaches the listing: a
// change of any line of a map that is not a comment shows.
func TestMapListingSaysAll(t *testing.T) {
	const rules = `format = 1
[image]
size = 0x1000
byte_order = "little"
[[region]]
name = "all"
range = "0x0-0xFFF"
role = "calibration"
[[checksum]]
name = "records"
sum = { width = 16, word = 2, op = "add", form = "twos_complement" }
cover = [{ start = { at = 0x10, type = "u16", scale = 4, plus = -2 }, end = 0x0200 }, { bytes = "AA 55" }]
count = [{ range = "0x20-0x23", as = "FF" }]
stored = { at = 0x300, byte_order = "big" }
`
	m, err := maps.Parse("rules.toml", []byte(rules))
	require.NoError(t, err)
	listing := MapListing(m)
	for _, line := range []string{
		`image.size = 0x1000`,
		`region "all".range = 0x0-0xFFF`,
		`checksum "records".sum.width = 16`,
		`checksum "records".cover[0].start.at = 0x10`,
		`checksum "records".cover[0].start.plus = -2`,
		`checksum "records".cover[0].end = 0x200`,
		`checksum "records".cover[1].bytes = AA 55`,
		`checksum "records".count[0].range = 0x20-0x23`,
		`checksum "records".count[0].as = FF`,
		`checksum "records".stored.at = 0x300`,
	} {
		assert.Contains(t, "\n"+listing, "\n"+line+"\n")
	}
}
