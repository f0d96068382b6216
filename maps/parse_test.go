package maps_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/maps"
)

// TestMistakes parses maps full of mistakes. A comment "# want KEY: TEXT | ..."
// in a line says which are expected there; no other may be reported.
func TestMistakes(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.toml")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 9)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(file)
			require.NoError(t, err)
			_, err = maps.Load(file)
			var bad *maps.MapError
			require.ErrorAs(t, err, &bad)
			got := map[int][]maps.Problem{}
			for _, p := range bad.Problems {
				assert.Equal(t, file, p.File)
				assert.Positive(t, p.Column)
				got[p.Line] = append(got[p.Line], p)
			}
			for i, line := range strings.Split(string(data), "\n") {
				_, want, _ := strings.Cut(line, "# want ")
				for _, w := range strings.Split(want, " | ") {
					if w = strings.TrimSpace(w); w != "" {
						got[i+1] = match(t, got[i+1], i+1, w)
					}
				}
				for _, p := range got[i+1] {
					t.Errorf("not expected: %s", p)
				}
			}
		})
	}
}

// match takes the problem that want describes out of the list.
func match(t *testing.T, list []maps.Problem, line int, want string) []maps.Problem {
	t.Helper()
	for i, p := range list {
		key, text, _ := strings.Cut(want, ": ")
		if p.Key == strings.TrimSuffix(key, ":") && strings.Contains(p.Message, strings.TrimSpace(text)) {
			return append(list[:i:i], list[i+1:]...)
		}
	}
	t.Errorf("line %d: not reported: %s\nreported there: %v", line, want, list)
	return list
}

func TestPlacesOfMistakes(t *testing.T) {
	_, err := maps.Parse("m.toml", []byte(`format = 1
[image]
size = 0x100
byte_order = "big"
erased = 256

[[region]]
name = "a"
  range =   "0x0-0x100"
role = "boot"
tags = [ "safety", "x" ]
oops.deep = 1
[[checksum]]
name = "c"
algorithm = "CRC-16/IBM-3740"
cover = [ "0x0-0xF", "0x100+1" ]
count =   [{ range = "0x0-0x1", as = "112233" }]
stored = { at = 0x20,
  bytes = 65 }
`))
	var bad *maps.MapError
	require.ErrorAs(t, err, &bad)
	var places []string
	for _, p := range bad.Problems {
		places = append(places, fmt.Sprintf("%d:%d %s", p.Line, p.Column, p.Key))
	}
	assert.Equal(t, []string{
		"5:10 image.erased",
		"9:13 region[1].range",
		"11:20 region[1].tags[2]",
		"12:1 region[1].oops",
		"16:22 checksum[1].cover[2]",
		"17:38 checksum[1].count[1].as",
		"19:11 checksum[1].stored.bytes",
	}, places)
	assert.Equal(t, "m.toml:12:1: region[1].oops: unknown key", strings.Split(err.Error(), "\n")[3])
}

func TestManyMistakesAreCapped(t *testing.T) {
	_, err := maps.Parse("", []byte(strings.Repeat("[[region]]\n", 500)))
	var bad *maps.MapError
	require.ErrorAs(t, err, &bad)
	require.Len(t, bad.Problems, maps.MaxProblems+1)
	assert.Contains(t, bad.Problems[maps.MaxProblems].Message, "more mistakes are not listed")
	assert.Contains(t, err.Error(), "region map:1:")
}

func TestTooLarge(t *testing.T) {
	_, err := maps.Parse("m.toml", bytes.Repeat([]byte("#"), maps.MaxMapBytes+1))
	require.ErrorContains(t, err, "more than the 4194304")
	file := filepath.Join(t.TempDir(), "m.toml")
	require.NoError(t, os.WriteFile(file, bytes.Repeat([]byte("#"), maps.MaxMapBytes+1), 0o600))
	_, err = maps.Load(file)
	require.ErrorContains(t, err, "more than the 4194304")
	_, err = maps.Load(file + "-not-there")
	require.ErrorIs(t, err, os.ErrNotExist)
}

// TestOtherReaders makes sure that what go-toml refuses is refused here too,
// although the tree is built by this package.
func TestOtherReaders(t *testing.T) {
	const head = "format = 1\n[image]\nsize = 0x10\nbyte_order = \"big\"\n"
	for _, c := range []string{
		"[image]\nbase = 1\n",    // a table given twice
		"[image.x]\n[image.x]\n", // likewise, and unknown
		"[[image]]\n",            // a table, then a list
		"[bench]\nread_minutes.a = 1\nread_minutes = [1, 2]\n", // a key in two ways
		"bench = { min_supply_volts = 1 }\n[bench]\n",          // an inline table is closed
		"[bench]\nread_minutes = [1, 2]\n[[bench.read_minutes]]\n",
		"[[region]]\nname = \"\xff\"\n",
		"[bench]\nmin_supply_volts = 01\n",
		"[bench]\nmin_supply_volts = 1_\n",
		"title = \"a\"\ntitle = \"b\"\n",
	} {
		_, err := maps.Parse("m.toml", []byte(head+c))
		assert.Error(t, err, c)
	}
	// An inline table is closed. Only go-toml itself sees this one.
	_, err := maps.Parse("m.toml", []byte("bench = { min_supply_volts = 1 }\nbench.max_adapter_latency_ms = 1\n"+head))
	require.ErrorContains(t, err, "m.toml:2:1: ")
	require.ErrorContains(t, err, "not TOML")
}

// Text as some editors and shells save it: the byte order mark of UTF-8 is no
// part of a map and moves no place, and UTF-16 is called by its name.
func TestByteOrderMarks(t *testing.T) {
	const text = "format = 1\n[image]\nsize = 0x10\nbyte_order = \"big\"\n"
	_, err := maps.Parse("m.toml", []byte("\xEF\xBB\xBF"+text))
	require.NoError(t, err)
	_, err = maps.Parse("m.toml", []byte("\xEF\xBB\xBFformat = 2\n[image]\nsize = 0x10\nbyte_order = \"big\"\n"))
	require.ErrorContains(t, err, "m.toml:1:13: format: ", "three bytes further than without the mark")
	for _, wide := range []string{"\xFF\xFEf\x00o\x00", "\xFE\xFF\x00f\x00o"} {
		_, err = maps.Parse("m.toml", []byte(wide))
		require.ErrorContains(t, err, "m.toml:1:1: the file is UTF-16 text")
	}
}

// A number is told to be written as a string only where that helps.
func TestNumbersBeyondTOML(t *testing.T) {
	const head = "format = 1\n[image]\nbyte_order = \"big\"\nbase = "
	_, err := maps.Parse("m.toml", []byte(head+"0x8000000000000000\nsize = 0x10\n"))
	require.ErrorContains(t, err, `write it as a string: "0x8000000000000000"`)
	_, err = maps.Parse("m.toml", []byte(head+"0x10000000000000000\nsize = 0x10\n"))
	require.ErrorContains(t, err, "image.base: 0x10000000000000000 does not fit in 64 bits")
}

func TestDefaults(t *testing.T) {
	m, err := maps.Parse("", []byte(`format = 1
[image]
size = 0x100
base = "0xFFFFFFFFFFFFFF00"
byte_order = "little"
[[region]]
name = "a"
range = "0xFFFFFFFFFFFFFF00+0x10"
role = "calibration"
[[region]]
name = "b"
range = "0xFFFFFFFFFFFFFF10+0x10"
role = "boot"
[[region]]
name = "c"
range = "0xFFFFFFFFFFFFFF20+0x10"
role = "adaptation"
edit = "ask"
[[region]]
name = "d"
range = "0xFFFFFFFFFFFFFF30+0xC0"
role = "unused"
content = "expected"
[[region]]
name = "e"
range = "0xFFFFFFFFFFFFFFF0+0x10"
role = "calibration"
tags = ["immobiliser"]
`))
	require.NoError(t, err)
	assert.Equal(t, byte(0xFF), m.Image.Erased)
	edits, contents := []maps.EditRule{}, []maps.Content{}
	for _, r := range m.Regions {
		edits, contents = append(edits, r.Edit), append(contents, r.Content)
	}
	assert.Equal(t, []maps.EditRule{"allowed", "forbidden", "ask", "forbidden", "forbidden"}, edits)
	assert.Equal(t, []maps.Content{"expected", "expected", "may_be_erased", "expected", "expected"}, contents)
	r, ok := m.RegionAt(0xFFFFFFFFFFFFFFFF)
	assert.True(t, ok)
	assert.Equal(t, "e", r.Name)
	_, ok = m.RegionAt(0)
	assert.False(t, ok)
	assert.Empty(t, m.Unmapped())
}
