package maps_test

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Expected values in this file come from the standard library's hash/crc32 or
// from a few lines of arithmetic beside the check, never from the code under
// test.

// noise returns n bytes that look like a program, the same every time.
func noise(n int) []byte {
	r := rand.New(rand.NewPCG(1, 2))
	out := make([]byte, n)
	for i := range out {
		out[i] = byte(r.Uint32())
	}
	return out
}

// parse makes a map of the given sections for an image of size bytes at 0.
func parse(t testing.TB, size int, sections string) *maps.Map {
	t.Helper()
	m, err := maps.Parse("test.toml", fmt.Appendf(nil, "format = 1\n[image]\nsize = %d\nbyte_order = \"big\"\n%s", size, sections))
	require.NoError(t, err)
	return m
}

func apply(t testing.TB, m *maps.Map, segments ...image.Segment) *maps.Bound {
	t.Helper()
	im, err := image.FromSegments(segments...)
	require.NoError(t, err)
	b, err := maps.Bind(m, im)
	require.NoError(t, err)
	return b
}

func flat(t testing.TB, data []byte, sections string) *maps.Bound {
	t.Helper()
	return apply(t, parse(t, len(data), sections), image.Segment{Data: data})
}

// failures checks that all rules together give what each gives by itself, too.
func failures(t require.TestingT, b *maps.Bound) (out []string) {
	results := b.Check()
	require.Equal(t, maps.CheckSeparately(b), results)
	for _, r := range results {
		if r.Verdict != evidence.Pass {
			out = append(out, fmt.Sprintf("%s (%d): %s: %s", r.Rule, r.Repeat, r.Verdict, r.Reason))
		}
	}
	return out
}

// proves checks that all rules hold; that a change of any of the counted
// bytes is seen and can be sealed by changing nothing but the written ranges;
// and that a change of the ignored bytes is not seen.
func proves(t *testing.T, b *maps.Bound, counted, ignored []uint64, written ...string) {
	t.Helper()
	require.Empty(t, failures(t, b))
	require.NotEmpty(t, b.Check())
	flip := func(at uint64) *maps.Bound {
		old, err := b.Image.Bytes(image.Range{Start: at, Size: 1})
		require.NoError(t, err)
		changed, err := b.Apply([]maps.Patch{{Addr: at, After: []byte{old[0] ^ 0x41}}})
		require.NoError(t, err)
		return changed
	}
	for _, at := range ignored {
		assert.Empty(t, failures(t, flip(at)), "0x%X should not count", at)
	}
	for _, at := range counted {
		changed := flip(at)
		if !assert.NotEmpty(t, failures(t, changed), "0x%X should count", at) {
			continue
		}
		patches, err := changed.Seal()
		require.NoError(t, err, "0x%X", at)
		sealed, err := changed.Apply(patches)
		require.NoError(t, err)
		require.Empty(t, failures(t, sealed))
		for _, p := range patches {
			where := image.Range{Start: p.Addr, Size: uint64(len(p.After))}
			assert.True(t, slices.ContainsFunc(written, func(s string) bool {
				r, err := image.ParseRange(s)
				require.NoError(t, err)
				return r.Covers(where)
			}), "the seal wrote to %s", where)
		}
	}
}

func put(data []byte, at int, hexBytes string) {
	b, err := hex.DecodeString(hexBytes)
	if err != nil {
		panic(err)
	}
	copy(data[at:], b)
}

func TestFreeParameters(t *testing.T) {
	// CRC-8 of SAE J1850 by its parameters: init 0xFF, xorout 0xFF. Its check
	// value 0x4B is published (AUTOSAR, Specification of CRC Routines, R20-11).
	data := append([]byte("123456789"), 0x4B, 0xC5)
	b := flat(t, data, `
[[checksum]]
name   = "by parameters"
crc    = { width = 8, poly = 0x1D, init = 0xFF, xorout = 0xFF, check = 0x4B }
cover  = ["0-8"]
stored = { at = 9 }
`)
	proves(t, b, []uint64{0, 8}, []uint64{10}, "9+1")

	// The same polynomial with init 0xC7 is CRC-8/MIFARE-MAD in Greg Cook's
	// catalogue, check 0x99; with init 0 and no xorout CRC-8/GSM-A, check 0x37.
	data[9] = 0x99
	b = flat(t, data, `
[[checksum]]
name      = "overridden"
algorithm = "CRC-8/GSM-A"
init      = 0xC7
cover     = ["0-8"]
stored    = { at = 9 }

[[checksum]]
name      = "final XOR as well"
algorithm = "CRC-8/GSM-A"
init      = 0xC7
xorout    = 0x5C
cover     = ["0-8"]
stored    = { at = 10 }
`)
	require.Equal(t, 0x99^0x5C, 0xC5)
	proves(t, b, []uint64{0, 8}, nil, "9+2")

	// A polynomial wider than a TOML integer: CRC-64/XZ, check 0x995DC9BBDF1939FA.
	data = append([]byte("123456789"), make([]byte, 8)...)
	put(data, 9, "995DC9BBDF1939FA")
	b = flat(t, data, `
[[checksum]]
name   = "64 bits"
crc    = { width = 64, poly = 0x42F0E1EBA9EA3693, init = "0xFFFFFFFFFFFFFFFF", refin = true, refout = true, xorout = "0xFFFFFFFFFFFFFFFF", check = "0x995DC9BBDF1939FA" }
cover  = ["0-8"]
stored = { at = 9 }
`)
	proves(t, b, []uint64{0, 8}, nil, "9+8")
}

func TestBytesCountedAsOthers(t *testing.T) {
	data := noise(0x100)
	counted := slices.Clone(data[:0x80])
	copy(counted[0x10:], []byte{0, 0, 0, 0})                 // the stored field, at zero
	copy(counted[0x20:], []byte{0xFF, 0xFF})                 // another field, all ones
	copy(counted[0x30:], []byte{0x12, 0x34})                 // a third, as a constant
	message := append([]byte{0xAA, 0x55}, counted[:0x40]...) // bytes before, between and after
	message = append(message, 0x99)
	message = append(message, counted[0x40:]...)
	message = append(message, "end"...)
	binary.BigEndian.PutUint32(data[0x10:], crc32.ChecksumIEEE(message))
	b := flat(t, data, `
[[checksum]]
name      = "masked"
algorithm = "CRC-32/ISO-HDLC"
cover     = [{ bytes = "AA 55" }, "0x0-0x3F", { bytes = 0x99 }, { range = "0x40-0x7F" }, { bytes = [0x65, 0x6E, 0x64] }]
count     = [{ range = "0x20-0x21", as = 0xFF }, { range = "0x30-0x31", as = "12 34" }]
stored    = { at = 0x10, counted_as = 0x00 }
`)
	proves(t, b, []uint64{0, 0xF, 0x14, 0x1F, 0x22, 0x2F, 0x32, 0x3F, 0x40, 0x7F}, []uint64{0x20, 0x21, 0x30, 0x31, 0x80}, "0x10+4")
}

// TestMasksAtTheirEdges has a mask of one byte, ranges that begin and end
// inside a mask, and a range that is masked as a whole.
func TestMasksAtTheirEdges(t *testing.T) {
	data := noise(0x100)
	message := slices.Concat(data[:0x10], []byte{0xEE}, data[0x11:0x20], []byte{1, 2}, []byte{3, 4}, data[0x24:0x28], []byte{2, 3})
	binary.BigEndian.PutUint32(data[0xF0:], crc32.ChecksumIEEE(message))
	b := flat(t, data, `
[[checksum]]
name      = "edges"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x0-0x21", "0x22-0x27", "0x21-0x22"]
count     = [{ range = "0x20-0x23", as = "01 02 03 04" }, { range = "0x10+1", as = 0xEE }]
stored    = { at = 0xF0 }
`)
	proves(t, b, []uint64{0xF, 0x11, 0x1F, 0x24, 0x27}, []uint64{0x10, 0x20, 0x21, 0x22, 0x23, 0x28}, "0xF0+4")
}

func TestOrderOfRanges(t *testing.T) {
	data := noise(0x100)
	message := append(slices.Clone(data[0x80:0xC0]), data[0x00:0x40]...)
	message = append(message, data[0x80:0x90]...) // a range may come twice
	binary.LittleEndian.PutUint32(data[0xF0:], crc32.ChecksumIEEE(message))
	b := flat(t, data, `
[[checksum]]
name      = "order"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x80-0xBF", "0x0-0x3F", "0x80+0x10"]
stored    = { at = 0xF0, byte_order = "little" }
`)
	proves(t, b, []uint64{0, 0x3F, 0x80, 0xBF}, []uint64{0x40, 0x7F, 0xC0}, "0xF0+4")
}

// TestNumbersFromTheImage covers the same 0x40 bytes from 0x40 on with every
// way to say where they are.
func TestNumbersFromTheImage(t *testing.T) {
	for name, c := range map[string]struct {
		put    string // at 0x00
		cover  string
		region string
	}{
		"length, 8 bits":           {"40", `start = 0x40, length = { at = 0x0, type = "u8" }`, ""},
		"length, 16 bits big":      {"0040", `start = 0x40, length = { at = 0x0, type = "u16" }`, ""},
		"length, 32 bits little":   {"40000000", `start = 0x40, length = { at = 0x0, type = "u32", byte_order = "little" }`, ""},
		"length, 64 bits big":      {"0000000000000040", `start = 0x40, length = { at = 0x0, type = "u64", byte_order = "big" }`, ""},
		"length in units of 4":     {"10", `start = 0x40, length = { at = 0x0, type = "u8", scale = 4 }`, ""},
		"length less a constant":   {"48", `start = 0x40, length = { at = 0x0, type = "u8", plus = -8 }`, ""},
		"length times plus":        {"0F", `start = 0x40, length = { at = 0x0, type = "u8", scale = 4, plus = 4 }`, ""},
		"start":                    {"0040", `start = { at = 0x0, type = "u16" }, length = 0x40`, ""},
		"start relative to a base": {"0010", `start = { at = 0x0, type = "u16", plus = 0x30 }, length = 0x40`, ""},
		"last byte":                {"7F", `start = 0x40, last = { at = 0x0, type = "u8" }`, ""},
		"end":                      {"0080", `start = 0x40, end = { at = 0x0, type = "u16" }`, ""},
		"start and end":            {"4080", `start = { at = 0x0, type = "u8" }, end = { at = 0x1, type = "u8" }`, ""},
		"start through a pointer":  {"00000004" + "40", `start = { at = { at = 0x0, type = "u32" }, type = "u8" }, length = 0x40`, ""},
		"two pointers":             {"02FF04FF40", `start = 0x40, length = { at = { at = { at = 0x0, type = "u8" }, type = "u8" }, type = "u8" }`, ""},
		"to the end less n":        {"", `start = 0x40, to_end_less = 0x80`, ""},
		"to the end less a field":  {"80", `start = 0x40, to_end_less = { at = 0x0, type = "u8" }`, ""},
		"to the end of a region":   {"", `start = 0x40, to_end_less = 0x10, of = "longer"`, "[[region]]\nname = \"longer\"\nrange = \"0x20-0x8F\"\nrole = \"program\""},
		"a region":                 {"", `region = "exactly"`, "[[region]]\nname = \"exactly\"\nrange = \"0x40-0x7F\"\nrole = \"program\""},
	} {
		t.Run(name, func(t *testing.T) {
			data := noise(0x100)
			put(data, 0, c.put)
			binary.BigEndian.PutUint32(data[0xF0:], crc32.ChecksumIEEE(data[0x40:0x80]))
			b := flat(t, data, `
`+c.region+`

[[checksum]]
name      = "from the image"
algorithm = "CRC-32/ISO-HDLC"
cover     = [{ `+c.cover+` }]
stored    = { at = 0xF0 }
`)
			proves(t, b, []uint64{0x40, 0x7F}, []uint64{0x3F, 0x80}, "0xF0+4")
			assert.Equal(t, []image.Range{{Start: 0x40, Size: 0x40}}, b.Check()[0].Cover)
		})
	}
}

func TestStoredAtAPointer(t *testing.T) {
	data := noise(0x100)
	put(data, 0x10, "00E0")
	binary.BigEndian.PutUint32(data[0xE4:], crc32.ChecksumIEEE(data[0x40:0x80]))
	b := flat(t, data, `
[[checksum]]
name      = "pointer to the field"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x40-0x7F"]
stored    = { at = { at = 0x10, type = "u16", plus = 4 } }
`)
	proves(t, b, []uint64{0x40, 0x7F}, []uint64{0xE0}, "0xE4+4")
	assert.Equal(t, image.Range{Start: 0xE4, Size: 4}, *b.Check()[0].Field)
}

func TestNonsenseFromTheImage(t *testing.T) {
	for name, c := range map[string]struct{ put, cover, reason string }{
		"zero length":       {"0000000000000000", `start = 0x40, length = { at = 0x0, type = "u64" }`, "the length of the range from 0x40 is zero"},
		"huge length":       {"7FFFFFFFFFFFFFFF", `start = 0x40, length = { at = 0x0, type = "u64" }`, "would count more than 16777216 bytes"},
		"past the top":      {"FFFFFFFFFFFFFFFF", `start = 0x40, length = { at = 0x0, type = "u64" }`, "run past the top of the 64-bit address space"},
		"overflow":          {"FFFFFFFFFFFFFFFF", `start = 0x40, length = { at = 0x0, type = "u64", scale = 512 }`, "is no 64-bit number"},
		"negative":          {"0000000000000001", `start = 0x40, length = { at = 0x0, type = "u64", plus = -2 }`, "is no 64-bit number"},
		"outside the image": {"0000000000000200", `start = 0x40, length = { at = 0x0, type = "u64" }`, "the image holds no byte at 0x100"},
		"backwards":         {"0000000000000030", `start = 0x40, last = { at = 0x0, type = "u64" }`, "the range ends at 0x30, before its start at 0x40"},
		"end at the start":  {"0000000000000040", `start = 0x40, end = { at = 0x0, type = "u64" }`, "the range ends before 0x40, and it starts at 0x40"},
		"end at zero":       {"0000000000000000", `start = 0x40, end = { at = 0x0, type = "u64" }`, "the range ends before 0x0"},
		"wild pointer":      {"00000000FFFFFFFF", `start = { at = { at = 0x0, type = "u64" }, type = "u8" }, length = 1`, "the image holds no byte at 0xFFFFFFFF"},
		"too near the end":  {"0000000000000400", `start = 0x40, to_end_less = { at = 0x0, type = "u64" }`, "is empty"},
		"start outside":     {"0000000000000400", `start = { at = 0x0, type = "u64" }, to_end_less = 0`, "outside what it should reach the end of"},
	} {
		t.Run(name, func(t *testing.T) {
			data := noise(0x100)
			put(data, 0, c.put)
			b := flat(t, data, `
[[checksum]]
name      = "from the image"
algorithm = "CRC-32/ISO-HDLC"
cover     = [{ `+c.cover+` }]
stored    = { at = 0xF0 }
`)
			r := b.Check()
			require.Len(t, r, 1)
			assert.Equal(t, evidence.Fail, r[0].Verdict)
			assert.Contains(t, r[0].Reason, c.reason)
			assert.Equal(t, maps.CodeUnreadable, r[0].Finding().Code)
			_, err := b.Seal()
			var se *maps.SealError
			assert.ErrorAs(t, err, &se)
		})
	}
}
