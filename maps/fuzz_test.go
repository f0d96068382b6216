package maps_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// everyMap returns all maps of this folder, good and bad.
func everyMap(t testing.TB) (all [][]byte) {
	t.Helper()
	require.NoError(t, filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, ".toml") {
			return err
		}
		data, err := os.ReadFile(path)
		all = append(all, data)
		return err
	}))
	return all
}

// everyRule is one of each kind of rule, for an image of 256 bytes.
const everyRule = `format = 1
[image]
size = 256
byte_order = "big"
[[region]]
name = "all"
range = "0x0-0xFF"
role = "program"
[[checksum]]
name = "numbers"
crc = { width = 12, poly = 0x80F, refout = true }
cover = [{ start = { at = 0x0, type = "u8" }, length = { at = 0x1, type = "u64", byte_order = "little", scale = 4, plus = -2 } },
  { start = { at = { at = 0x2, type = "u8" }, type = "u16" }, last = { at = 0x3, type = "u32" } },
  { start = 0x8, end = { at = 0x9, type = "u8" } }, { start = 0x20, to_end_less = { at = 0xA, type = "u8" }, of = "all" },
  { length_bytes = 3 }, { bytes = "AA55" }]
count = [{ range = "0x30-0x3F", as = 0 }]
gaps = 0xFF
pad = { to = 4, with = 0xEE }
stored = { at = { at = 0xB, type = "u16" }, form = "value_then_complement", counted_as = 0, unset = [0, 0xFF], upper = "ignore", shift = 2 }
[[checksum]]
name = "blocks"
algorithm = "sum-16/u16be"
add_length = "words"
cover = [{ start = 0x0, length = { at = 0xD, type = "u8" } }]
repeat = { count = { at = 0xE, type = "u16" }, stride = { at = 0x10, type = "u8" }, stored_stride = { at = 0x11, type = "u8" } }
gaps = "skip"
stored = { at = 0x40, bytes = 1, keep = "high" }
[[checksum]]
name = "records"
algorithm = "CRC-16/IBM-3740"
records = { at = { at = 0x12, type = "u8" }, size = 5, stop = 0xFF, start = { offset = 0, type = "u8" }, end = { offset = 1, type = "u16" }, sum = 3 }
stored = {}
[[checksum]]
name = "list"
algorithm = "CRC-8/SMBUS"
list = { at = { at = 0x13, type = "u8" }, length = { offset = 0, type = "u16" }, data = 2, align = 4, sum_after = 0, count = { at = 0x14, type = "u8" } }
stored = { form = "complemented" }
[[checksum]]
name = "seeded"
algorithm = "sum-8/u8"
init_from = "target"
init_as = "continue"
cover = ["0x50-0x5F"]
stored = { at = 0x60 }
[[checksum]]
name = "target"
algorithm = "sum-8/u8"
cover = ["0x70-0x7F"]
target = 0
rebalance = { at = { at = 0x15, type = "u8" }, bytes = 2 }
[[table]]
name = "t"
at = 0x80
cell = { type = "f32", scale = 2, min = 0, max = 1 }
x = { at = 0x90, count = 3, type = "f64" }
[[identity]]
name = "i"
range = "0xC0+17"
as = "VIN"
`

func FuzzParse(f *testing.F) {
	seeds := everyMap(f)
	require.GreaterOrEqual(f, len(seeds), 18)
	for _, s := range seeds {
		f.Add(s)
	}
	f.Add([]byte(everyRule))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := maps.Parse("fuzz.toml", data)
		if err == nil {
			exercise(t, m, []byte("some bytes of an image"), true)
			return
		}
		var list *maps.MapError
		require.ErrorAs(t, err, &list)
		require.NotEmpty(t, list.Problems)
		for _, p := range list.Problems {
			require.Positive(t, p.Line)
			require.Positive(t, p.Column)
			require.NotEmpty(t, p.Message)
		}
	})
}

// FuzzImage lets an image choose what a map with every kind of rule does.
func FuzzImage(f *testing.F) {
	m, err := maps.Parse("every.toml", []byte(everyRule))
	require.NoError(f, err)
	f.Add(noise(256), true)
	f.Add(noise(200), false)
	f.Add(make([]byte, 256), false)
	f.Add([]byte(strings.Repeat("\xff", 256)), true)
	f.Add([]byte(strings.Repeat("\x01", 256)), true)
	f.Add([]byte("\x20\x10\x00\x00\x00\x00\x00\x00\x00\x30\x08\x40\x02\x80\x90\x10\x50\x20\x03"+strings.Repeat("\x10", 237)), false)
	f.Fuzz(func(t *testing.T, data []byte, hole bool) {
		if len(data) > 4096 {
			return
		}
		exercise(t, m, data, hole)
	})
}

// exercise calls everything there is on a map and an image. What must hold:
// results are complete sentences with a verdict, and what Seal returns makes
// every rule agree.
func exercise(t *testing.T, m *maps.Map, data []byte, hole bool) {
	segments := []image.Segment{{Data: data}}
	if hole && len(data) > 64 {
		segments = []image.Segment{{Data: data[:32]}, {Start: 48, Data: data[48:]}}
	}
	im, err := image.FromSegments(segments...)
	require.NoError(t, err)
	b, err := maps.Bind(m, im)
	require.NoError(t, err)
	b.Coverage()
	b.Tables()
	b.Identity()
	if view, err := m.Arrange(im); err == nil {
		view.Segments()
	}
	results := b.Check()
	require.Equal(t, maps.CheckSeparately(b), results)
	require.LessOrEqual(t, len(results), len(m.Checksums)*(maps.MaxRepeats+1))
	for _, r := range results {
		require.NotEmpty(t, r.Reason)
		require.Contains(t, []evidence.Verdict{evidence.Pass, evidence.Fail, evidence.Unproven}, r.Verdict)
		require.NotEmpty(t, r.Finding().Code)
	}
	patches, err := b.Seal()
	if err != nil {
		return
	}
	sealed, err := b.Apply(patches)
	require.NoError(t, err)
	for _, r := range sealed.Check() {
		require.NotEqual(t, evidence.Fail, r.Verdict, "%s: %s", r.Rule, r.Reason)
	}
}

func TestFuzzSeedsLoad(t *testing.T) {
	m, err := maps.Parse("every.toml", []byte(everyRule))
	require.NoError(t, err)
	require.Len(t, m.Checksums, 6)
	seen := map[evidence.Verdict]int{}
	im, err := image.FromSegments(image.Segment{Data: noise(256)})
	require.NoError(t, err)
	b, err := maps.Bind(m, im)
	require.NoError(t, err)
	for _, r := range b.Check() {
		seen[r.Verdict]++
	}
	require.NotZero(t, seen[evidence.Fail])
	exercise(t, m, noise(256), true)
}
