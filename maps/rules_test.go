package maps_test

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"math/bits"
	"math/rand/v2"
	"slices"
	"strings"
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

func failures(b *maps.Bound) (out []string) {
	for _, r := range b.Check() {
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
	require.Empty(t, failures(b))
	require.NotEmpty(t, b.Check())
	flip := func(at uint64) *maps.Bound {
		old, err := b.Image.Bytes(image.Range{Start: at, Size: 1})
		require.NoError(t, err)
		changed, err := b.Apply([]maps.Patch{{Addr: at, After: []byte{old[0] ^ 0x41}}})
		require.NoError(t, err)
		return changed
	}
	for _, at := range ignored {
		assert.Empty(t, failures(flip(at)), "0x%X should not count", at)
	}
	for _, at := range counted {
		changed := flip(at)
		if !assert.NotEmpty(t, failures(changed), "0x%X should count", at) {
			continue
		}
		patches, err := changed.Seal()
		require.NoError(t, err, "0x%X", at)
		sealed, err := changed.Apply(patches)
		require.NoError(t, err)
		require.Empty(t, failures(sealed))
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

func TestRepeat(t *testing.T) {
	data := noise(0x1000)
	const block = 0x100
	for k := range 8 {
		at := 0x200 + k*block
		binary.BigEndian.PutUint32(data[at+block-4:], crc32.ChecksumIEEE(data[at:at+block-4]))
	}
	for k := range 4 { // sums of four blocks in a table of their own
		at := 0xA00 + k*block
		binary.LittleEndian.PutUint32(data[0x100+4*k:], crc32.ChecksumIEEE(data[at:at+block]))
	}
	data[0] = 8
	data[1] = 0x40 // in units of 4
	const sections = `
[[checksum]]
name      = "blocks"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x200-0x2FB"]
repeat    = { count = %s, stride = %s }
stored    = { at = 0x2FC }

[[checksum]]
name      = "blocks with a table"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0xA00-0xAFF"]
repeat    = { count = 4, stride = 0x100, stored_stride = 4 }
stored    = { at = 0x100, byte_order = "little" }
`
	for _, b := range []*maps.Bound{
		flat(t, data, fmt.Sprintf(sections, "8", "0x100")),
		flat(t, data, fmt.Sprintf(sections, `{ at = 0x0, type = "u8" }`, `{ at = 0x1, type = "u8", scale = 4 }`)),
	} {
		results := b.Check()
		require.Len(t, results, 12)
		assert.Equal(t, 8, results[7].Repeat)
		assert.Equal(t, 1, results[8].Repeat)
		assert.Equal(t, image.Range{Start: 0x108, Size: 4}, *results[10].Field)
		proves(t, b, []uint64{0x200, 0x2FB, 0x9FB, 0xA00, 0xDFF}, []uint64{0xE00, 0x110}, "0x200-0x9FF", "0x100-0x10F")
	}
	data[0] = 0
	results := flat(t, data, fmt.Sprintf(sections, `{ at = 0x0, type = "u8" }`, "0x100")).Check()
	assert.Equal(t, evidence.Fail, results[0].Verdict)
	assert.Contains(t, results[0].Reason, "the number of repetitions is 0")
}

// TestNumbersMoveWithTheirBlock has a length in each block.
func TestNumbersMoveWithTheirBlock(t *testing.T) {
	data := noise(0x400)
	for k := range 4 {
		at := k * 0x100
		n := 0x10 + k*0x11
		data[at] = byte(n)
		binary.BigEndian.PutUint32(data[at+4:], crc32.ChecksumIEEE(data[at+8:at+8+n]))
	}
	b := flat(t, data, `
[[checksum]]
name      = "blocks"
algorithm = "CRC-32/ISO-HDLC"
cover     = [{ start = 0x8, length = { at = 0x0, type = "u8" } }]
repeat    = { count = 4, stride = 0x100 }
stored    = { at = 0x4 }
`)
	proves(t, b, []uint64{0x8, 0x17, 0x108, 0x108 + 0x20, 0x308 + 0x42}, []uint64{0x1, 0x18, 0x308 + 0x43}, "0x4+4", "0x104+4", "0x204+4", "0x304+4")
}

func TestRecords(t *testing.T) {
	ranges := [][2]int{{0x400, 0x80}, {0x600, 0x10}, {0x500, 0x100}}
	for name, c := range map[string]struct{ how, count string }{
		"length":       {`length = { offset = 4, type = "u16", byte_order = "little" }`, "count = 3"},
		"length words": {`length = { offset = 4, type = "u16", byte_order = "little", scale = 4 }`, `count = { at = 0x10, type = "u8" }`},
		"last":         {`last = { offset = 4, type = "u16", byte_order = "little" }`, "stop = 0xFFFF"},
		"end":          {`end = { offset = 4, type = "u16", byte_order = "little" }`, "count = 5, stop = 0xFFFF"},
	} {
		t.Run(name, func(t *testing.T) {
			data := noise(0x800)
			data[0x10] = 3
			for k, r := range ranges {
				rec := data[0x20+12*k:]
				value := map[string]int{"length": r[1], "length words": r[1] / 4, "last": r[0] + r[1] - 1, "end": r[0] + r[1]}[name]
				binary.BigEndian.PutUint32(rec, uint32(r[0]))
				binary.LittleEndian.PutUint16(rec[4:], uint16(value))
				binary.BigEndian.PutUint32(rec[8:], crc32.ChecksumIEEE(data[r[0]:r[0]+r[1]]))
			}
			put(data, 0x20+36, "0000FFFF")
			b := flat(t, data, `
[[checksum]]
name      = "table"
algorithm = "CRC-32/ISO-HDLC"
records   = { at = 0x20, size = 12, `+c.count+`, start = { offset = 0, type = "u32" }, `+c.how+`, sum = 8 }
stored    = { byte_order = "big" }
`)
			require.Len(t, b.Check(), 3)
			assert.Equal(t, []image.Range{{Start: 0x500, Size: 0x100}}, b.Check()[2].Cover)
			proves(t, b, []uint64{0x400, 0x47F, 0x600, 0x60F, 0x5FF}, []uint64{0x480, 0x26, 0x610}, "0x28+4", "0x34+4", "0x40+4")
		})
	}
}

func TestEndlessTables(t *testing.T) {
	data := make([]byte, 0x20000)
	for i := range data {
		data[i] = 1
	}
	b := flat(t, data, `
[[checksum]]
name      = "table"
algorithm = "sum-8/u8"
records   = { at = 0x0, size = 1, stop = 0xFF, start = { offset = 0, type = "u8" }, length = { offset = 0, type = "u8" }, sum = 0 }
stored    = {}
[[checksum]]
name      = "list"
algorithm = "sum-8/u8"
list      = { at = 0x0, length = { offset = 0, type = "u8" }, sum = 0, stop = 0 }
stored    = {}
[[checksum]]
name      = "empty"
algorithm = "sum-8/u8"
list      = { at = 0x0, length = { offset = 0, type = "u8" }, sum = 0, stop = 1 }
stored    = {}
[[checksum]]
name      = "count"
algorithm = "sum-8/u8"
list      = { at = 0x0, length = { offset = 0, type = "u8" }, sum = 0, count = { at = 0x0, type = "u64" } }
stored    = {}
`)
	results := b.Check()
	byRule := map[string][]maps.RuleResult{}
	for _, r := range results {
		byRule[r.Rule] = append(byRule[r.Rule], r)
	}
	for rule, reason := range map[string]string{"table": "no end within 8192 records", "list": "no end within 8192 items"} {
		last := byRule[rule][len(byRule[rule])-1]
		assert.LessOrEqual(t, len(byRule[rule]), maps.MaxRepeats+1)
		assert.Equal(t, evidence.Fail, last.Verdict)
		assert.Contains(t, last.Reason, reason)
	}
	require.Len(t, byRule["empty"], 1)
	assert.Equal(t, evidence.Unproven, byRule["empty"][0].Verdict, "a rule that was never evaluated proves nothing")
	assert.Equal(t, maps.CodeEmpty, byRule["empty"][0].Finding().Code)
	require.Len(t, byRule["count"], 1)
	assert.Contains(t, byRule["count"][0].Reason, "1 to 8192 are allowed")
}

func TestEntriesWithoutBytes(t *testing.T) {
	b := flat(t, make([]byte, 0x100), `
[[checksum]]
name      = "record"
algorithm = "sum-8/u8"
records   = { at = 0x20, size = 12, count = 1, start = { offset = 0, type = "u32" }, length = { offset = 4, type = "u32" }, sum = 8 }
stored    = {}
[[checksum]]
name      = "item"
algorithm = "sum-8/u8"
list      = { at = 0x40, length = { offset = 0, type = "u32" }, sum = 4, count = 1 }
stored    = {}
`)
	assert.Contains(t, b.Check()[0].Reason, "the length in the record at 0x20 is zero")
	assert.Contains(t, b.Check()[1].Reason, "the length of the item at 0x40 is zero")
}

func TestList(t *testing.T) {
	for name, c := range map[string]struct {
		sum      string
		at       func(base, n int) int // of the sum
		data     int
		distance func(n int) int
	}{
		"sum in the header":  {"sum = 2, data = 6, align = 4", func(base, n int) int { return base + 2 }, 6, func(n int) int { return (6 + n + 3) / 4 * 4 }},
		"sum after the data": {"sum_after = 0, data = 2, tail = 4", func(base, n int) int { return base + 2 + n }, 2, func(n int) int { return 2 + n + 4 }},
	} {
		t.Run(name, func(t *testing.T) {
			data := noise(0x200)
			var starts []int
			base := 0x40
			for _, n := range []int{5, 0x20, 3} {
				starts = append(starts, base+c.data, base+c.data+n-1)
				binary.BigEndian.PutUint16(data[base:], uint16(n))
				binary.BigEndian.PutUint32(data[c.at(base, n):], crc32.ChecksumIEEE(data[base+c.data:base+c.data+n]))
				base += c.distance(n)
			}
			put(data, base, "FFFF")
			b := flat(t, data, `
[[checksum]]
name      = "list"
algorithm = "CRC-32/ISO-HDLC"
list      = { at = 0x40, length = { offset = 0, type = "u16" }, `+c.sum+`, stop = 0xFFFF }
stored    = {}
`)
			require.Len(t, b.Check(), 3)
			var counted []uint64
			for _, s := range starts {
				counted = append(counted, uint64(s))
			}
			proves(t, b, counted, []uint64{0x3F, uint64(base + 2)}, "0x40-0x1FF")
		})
	}
}

func TestFieldForms(t *testing.T) {
	data := noise(0x100)
	sum := crc32.ChecksumIEEE(data[0x40:0x80])
	be := func(v uint64, n int) []byte { return binary.BigEndian.AppendUint64(nil, v)[8-n:] }
	s := uint64(sum)
	for name, c := range map[string]struct {
		stored string
		field  []byte
	}{
		"plain":                  {"", be(s, 4)},
		"little-endian":          {`byte_order = "little"`, binary.LittleEndian.AppendUint32(nil, sum)},
		"complemented":           {`form = "complemented"`, be(^s, 4)},
		"negated":                {`form = "negated"`, be(-s, 4)},
		"value, then complement": {`form = "value_then_complement"`, append(be(s, 4), be(^s, 4)...)},
		"complement, then value": {`form = "complement_then_value", byte_order = "little"`,
			binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32(nil, ^sum), sum)},
		"wider":              {"bytes = 8", be(s, 8)},
		"wider, little":      {`bytes = 6, byte_order = "little"`, binary.LittleEndian.AppendUint64(nil, s)[:6]},
		"wider, ones above":  {`bytes = 5, upper = "ones"`, append([]byte{0xFF}, be(s, 4)...)},
		"wider, rest unused": {`bytes = 6, upper = "ignore"`, append([]byte{0x12, 0x34}, be(s, 4)...)},
		"wider, complement":  {`bytes = 6, form = "complemented", upper = "ones"`, be(^s, 6)},
		"narrower, low":      {"bytes = 2", be(s, 2)},
		"narrower, high":     {`bytes = 2, keep = "high"`, be(s>>16, 2)},
		"narrower, negated":  {`bytes = 1, form = "negated"`, be(-s, 1)},
		"shifted":            {"bytes = 5, shift = 4", be(s<<4, 5)},
	} {
		t.Run(name, func(t *testing.T) {
			d := slices.Clone(data)
			copy(d[0xE0:], c.field)
			extra := ""
			if c.stored != "" {
				extra = ", " + c.stored
			}
			b := flat(t, d, `
[[checksum]]
name      = "field"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x40-0x7F"]
stored    = { at = 0xE0`+extra+` }
`)
			proves(t, b, []uint64{0x40, 0x7F}, []uint64{0xDF, uint64(0xE0 + len(c.field))}, fmt.Sprintf("0xE0+%d", len(c.field)))
			assert.Equal(t, image.Range{Start: 0xE0, Size: uint64(len(c.field))}, *b.Check()[0].Field)
			assert.Equal(t, b.Check()[0].Computed, b.Check()[0].Stored)
			changed, err := b.Apply([]maps.Patch{{Addr: 0xE0 + uint64(len(c.field)) - 1, After: []byte{d[0xE0+len(c.field)-1] ^ 0x10}}})
			require.NoError(t, err)
			assert.NotEmpty(t, failures(changed), "a change of the field must show")
		})
	}
	put(data, 0xE0, "0000000100000001")
	r := flat(t, data, `
[[checksum]]
name      = "pair"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x40-0x7F"]
stored    = { at = 0xE0, form = "value_then_complement" }
`).Check()[0]
	assert.Contains(t, r.Reason, "the value and its complement do not belong together")
	assert.Equal(t, "0x00000001", r.Stored)
	put(data, 0xE0, "0000000100000002")
	r = flat(t, data, `
[[checksum]]
name      = "pair"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x40-0x7F"]
stored    = { at = 0xE0, form = "complement_then_value" }
`).Check()[0]
	assert.Equal(t, "0x00000002", r.Stored, "the plain half is shown")

	copy(data[0xE0:], append([]byte{0x7F}, be(s, 4)...))
	r = flat(t, data, `
[[checksum]]
name      = "ones above"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x40-0x7F"]
stored    = { at = 0xE0, bytes = 5, upper = "ones" }
`).Check()[0]
	assert.Equal(t, evidence.Fail, r.Verdict)
	assert.Contains(t, r.Reason, "the bits beside the value are not all ones")
}

func TestWidthsThatAreNoWholeByte(t *testing.T) {
	// CRC-12/UMTS (check 0xDAF) and CRC-5/USB (check 0x19): Greg Cook's catalogue.
	data := append([]byte("123456789"), 0x0D, 0xAF, 0x19, 0xDA, 0xF0, 0x80|0x19, 0x33)
	b := flat(t, data, `
[[checksum]]
name      = "12 bits in 2 bytes"
algorithm = "CRC-12/UMTS"
cover     = ["0-8"]
stored    = { at = 9 }
[[checksum]]
name      = "5 bits in 1 byte"
algorithm = "CRC-5/USB"
cover     = ["0-8"]
stored    = { at = 11 }
[[checksum]]
name      = "12 bits at the top of 2 bytes"
algorithm = "CRC-12/UMTS"
cover     = ["0-8"]
stored    = { at = 12, shift = 4 }
[[checksum]]
name      = "5 bits beside others"
algorithm = "CRC-5/USB"
cover     = ["0-8"]
stored    = { at = 14, upper = "ignore" }
`)
	assert.Equal(t, "0xDAF", b.Check()[0].Computed)
	assert.Equal(t, "0x19", b.Check()[1].Computed)
	proves(t, b, []uint64{0, 8}, []uint64{15}, "9+6")
	changed, err := b.Apply([]maps.Patch{{Addr: 9, After: []byte{0x1D}}})
	require.NoError(t, err)
	assert.Contains(t, changed.Check()[0].Reason, "the bits beside the value are not zero")
	// What lies beside an ignored field stays when it is sealed.
	changed, err = b.Apply([]maps.Patch{{Addr: 0, After: []byte("0")}})
	require.NoError(t, err)
	patches, err := changed.Seal()
	require.NoError(t, err)
	require.Len(t, patches, 4)
	assert.Equal(t, byte(0x80), patches[3].After[0]&0xE0)
}

func TestUnset(t *testing.T) {
	for _, c := range []struct {
		name, field, unset string
		verdict            evidence.Verdict
		code               string
	}{
		{"erased", "FFFFFFFF", "unset = 0xFF", evidence.Unproven, maps.CodeUnset},
		{"zero", "00000000", "unset = [0x00, 0xFF]", evidence.Unproven, maps.CodeUnset},
		{"mixed", "00FF00FF", "unset = [0x00, 0xFF]", evidence.Fail, maps.CodeMismatch},
		{"another byte", "00000000", "unset = 0xFF", evidence.Fail, maps.CodeMismatch},
		{"no convention", "FFFFFFFF", "bytes = 4", evidence.Fail, maps.CodeMismatch},
	} {
		t.Run(c.name, func(t *testing.T) {
			data := noise(0x100)
			put(data, 0xE0, c.field)
			b := flat(t, data, `
[[checksum]]
name      = "unset"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x40-0x7F"]
stored    = { at = 0xE0, `+c.unset+` }
`)
			r := b.Check()[0]
			assert.Equal(t, c.verdict, r.Verdict)
			assert.Equal(t, c.code, r.Finding().Code)
			patches, err := b.Seal()
			require.NoError(t, err)
			assert.Equal(t, c.verdict == evidence.Unproven, len(patches) == 0, "an unset field stays unset")
		})
	}
}

func TestSums(t *testing.T) {
	data := noise(0x100)
	words := func(size int, order binary.ByteOrder) (out []uint64) {
		for at := 0x40; at < 0x80; at += size {
			wide := make([]byte, 8)
			if order == binary.BigEndian {
				copy(wide[8-size:], data[at:at+size])
			} else {
				copy(wide, data[at:at+size])
			}
			out = append(out, order.Uint64(wide))
		}
		return out
	}
	add := func(w []uint64) (s uint64) {
		for _, x := range w {
			s += x
		}
		return s
	}
	carry := func(w []uint64, width int) (s uint64) {
		for _, x := range w {
			var c uint64
			s, c = bits.Add64(s, x, 0)
			s += c
			if width < 64 {
				s = s&(1<<width-1) + s>>width
			}
		}
		return s
	}
	xor := func(w []uint64) (s uint64) {
		for _, x := range w {
			s ^= x
		}
		return s
	}
	for name, c := range map[string]struct {
		sum   string
		width int
		want  uint64
	}{
		"bytes in 8 bits":      {"width = 8", 8, add(words(1, binary.BigEndian))},
		"bytes in 32 bits":     {"width = 32", 32, add(words(1, binary.BigEndian))},
		"2-byte words, big":    {`width = 16, word = 2, byte_order = "big"`, 16, add(words(2, binary.BigEndian))},
		"2-byte words, little": {`width = 32, word = 2, byte_order = "little"`, 32, add(words(2, binary.LittleEndian))},
		"4-byte words":         {`width = 32, word = 4`, 32, add(words(4, binary.BigEndian))},
		"8-byte words":         {`width = 64, word = 8, byte_order = "little"`, 64, add(words(8, binary.LittleEndian))},
		"ones' complement":     {`width = 16, word = 2, form = "ones_complement"`, 16, ^add(words(2, binary.BigEndian))},
		"two's complement":     {`width = 16, word = 2, form = "twos_complement"`, 16, -add(words(2, binary.BigEndian))},
		"end-around carry, 16": {`width = 16, word = 2, op = "add_carry"`, 16, carry(words(2, binary.BigEndian), 16)},
		"end-around carry, 32": {`width = 32, word = 4, op = "add_carry", byte_order = "little"`, 32, carry(words(4, binary.LittleEndian), 32)},
		"end-around carry, 64": {`width = 64, word = 8, op = "add_carry"`, 64, carry(words(8, binary.BigEndian), 64)},
		"xor":                  {`width = 32, word = 4, op = "xor"`, 32, xor(words(4, binary.BigEndian))},
	} {
		t.Run(name, func(t *testing.T) {
			d := slices.Clone(data)
			n := c.width / 8
			copy(d[0xE0:], binary.BigEndian.AppendUint64(nil, c.want)[8-n:])
			b := flat(t, d, `
[[checksum]]
name   = "sum"
sum    = { `+c.sum+` }
cover  = ["0x40-0x7F"]
stored = { at = 0xE0 }
`)
			proves(t, b, []uint64{0x40, 0x7F}, []uint64{0x3F, 0x80}, fmt.Sprintf("0xE0+%d", n))
		})
	}
}

func TestPaddingAndLength(t *testing.T) {
	data := noise(0x100)
	// 0x21 bytes: padded with 0xFF to 0x24, nine words.
	message := append(slices.Clone(data[0x40:0x61]), 0xFF, 0xFF, 0xFF)
	var sum uint32
	for at := 0; at < len(message); at += 4 {
		sum += binary.BigEndian.Uint32(message[at:])
	}
	binary.BigEndian.PutUint32(data[0xE0:], sum)
	binary.BigEndian.PutUint32(data[0xE4:], sum+0x24)
	binary.BigEndian.PutUint32(data[0xE8:], sum+9)
	binary.BigEndian.PutUint32(data[0xEC:], crc32.ChecksumIEEE(append(slices.Clone(data[0x40:0x61]), 0x21, 0x00)))
	binary.BigEndian.PutUint32(data[0xF0:], ^(sum + 0x24 + 5))
	const head = `
cover  = ["0x40-0x60"]
pad    = { to = 4, with = 0xFF }
sum    = { width = 32, word = 4 }
`
	b := flat(t, data, `
[[checksum]]
name   = "padded"
stored = { at = 0xE0 }`+head+`
[[checksum]]
name       = "length in bytes"
add_length = "bytes"
stored     = { at = 0xE4 }`+head+`
[[checksum]]
name       = "length in words"
add_length = "words"
stored     = { at = 0xE8 }`+head+`
[[checksum]]
name      = "length behind the bytes"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x40-0x60", { length_bytes = 2, byte_order = "little" }]
stored    = { at = 0xEC }

[[checksum]]
name       = "length and a start value, inverted"
sum        = { width = 32, word = 4, form = "ones_complement" }
init       = 5
pad        = { to = 4, with = 0xFF }
cover      = ["0x40-0x60"]
add_length = "bytes"
stored     = { at = 0xF0 }
`)
	proves(t, b, []uint64{0x40, 0x60}, []uint64{0x61, 0x3F}, "0xE0-0xF3")

	// What is whole already is not padded.
	whole := slices.Clone(data)
	binary.BigEndian.PutUint32(whole[0xE0:], crc32.ChecksumIEEE(whole[0x40:0x60]))
	binary.BigEndian.PutUint32(whole[0xE4:], crc32.ChecksumIEEE(append(slices.Clone(whole[0x40:0x63]), 0x77)))
	proves(t, flat(t, whole, `
[[checksum]]
name      = "whole"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x40-0x5F"]
pad       = { to = 4, with = 0x77 }
stored    = { at = 0xE0 }
[[checksum]]
name      = "one byte short"
algorithm = "CRC-32/ISO-HDLC"
cover     = ["0x40-0x62"]
pad       = { to = 4, with = 0x77 }
stored    = { at = 0xE4 }
`), []uint64{0x40, 0x5F, 0x62}, nil, "0xE0+8")

	r := flat(t, data, `
[[checksum]]
name   = "no padding said"
sum    = { width = 32, word = 4 }
cover  = ["0x40-0x60"]
stored = { at = 0xE0 }
`).Check()[0]
	assert.Equal(t, evidence.Fail, r.Verdict)
	assert.Contains(t, r.Reason, "33 bytes, which is no whole number of 4-byte words")
}

func TestLengthInAnEndAroundSum(t *testing.T) {
	// 0xFFFF + 4 (the length) = 0x10003, the carry comes round: 0x0004.
	b := flat(t, []byte{0xFF, 0xFE, 0x00, 0x01, 0x00, 0x04}, `
[[checksum]]
name       = "carry"
sum        = { width = 16, word = 2, op = "add_carry" }
add_length = "bytes"
cover      = ["0-3"]
stored     = { at = 4 }
`)
	proves(t, b, []uint64{0, 3}, nil, "4+2")

	// Start value 0xFFFD and length 4 carry by themselves: 0x10001, so 0x0002;
	// the words 0x0001 and 0x0002 make it 5.
	b = flat(t, []byte{0x00, 0x01, 0x00, 0x02, 0x00, 0x05}, `
[[checksum]]
name       = "carry"
sum        = { width = 16, word = 2, op = "add_carry" }
init       = 0xFFFD
add_length = "bytes"
cover      = ["0-3"]
stored     = { at = 4 }
`)
	proves(t, b, []uint64{0, 3}, nil, "4+2")
}

func TestSeeds(t *testing.T) {
	data := noise(0x100)
	// hash/crc32 goes on from an earlier result; the others follow from the
	// register it holds, which is the result without its final XOR.
	first := crc32.ChecksumIEEE(data[0x00:0x20])
	on := crc32.Update(first, crc32.IEEETable, data[0x20:0x40])
	register := crc32.Update(^first, crc32.IEEETable, data[0x20:0x40])
	parameter := crc32.Update(^bits.Reverse32(first), crc32.IEEETable, data[0x20:0x40])
	for i, v := range []uint32{first, on, register, parameter} {
		binary.BigEndian.PutUint32(data[0xE0+4*i:], v)
	}
	data[0xF0] = data[0x80] + data[0x81]
	data[0xF1] = data[0xF0] + data[0x90] + data[0x91]
	data[0xF2] = 0
	rule := func(name, cover, at, extra string) string {
		return fmt.Sprintf("\n[[checksum]]\nname = %q\nalgorithm = \"CRC-32/ISO-HDLC\"\ncover = [%q]\nstored = { at = %s }\n%s\n", name, cover, at, extra)
	}
	b := flat(t, data, rule("second", "0x20-0x3F", "0xE4", `init_from = "first"
init_as = "continue"`)+
		rule("first", "0x0-0x1F", "0xE0", "")+
		rule("third", "0x20-0x3F", "0xE8", `init_from = "first"`)+
		rule("fourth", "0x20-0x3F", "0xEC", `init_from = "first"
init_as = "parameter"`)+`
[[checksum]]
name = "sum"
algorithm = "sum-8/u8"
cover = ["0x80-0x81"]
stored = { at = 0xF0 }
[[checksum]]
name = "sum going on"
algorithm = "sum-8/u8"
init_from = "sum"
cover = ["0x90-0x91"]
stored = { at = 0xF1 }
`)
	proves(t, b, []uint64{0, 0x1F, 0x20, 0x3F, 0x80, 0x90}, []uint64{0x40}, "0xE0-0xF1")

	// A CRC that is not reflected holds its register as it is: two halves of
	// "123456789" give the published check value of CRC-16/IBM-3740, 0x29B1.
	halves := append([]byte("123456789"), 0, 0, 0x29, 0xB1)
	b2 := flat(t, halves, `
[[checksum]]
name = "first"
algorithm = "CRC-16/IBM-3740"
cover = ["0-3"]
stored = { at = 9 }
[[checksum]]
name = "second"
algorithm = "CRC-16/IBM-3740"
init_from = "first"
cover = ["4-8"]
stored = { at = 11 }
`)
	assert.Equal(t, evidence.Pass, b2.Check()[1].Verdict, b2.Check()[1].Reason)

	// A rule whose seed cannot be computed fails and says why.
	short := apply(t, b.Map, image.Segment{Start: 0x20, Data: data[0x20:]})
	r := short.Check()
	assert.Equal(t, evidence.Fail, r[0].Verdict)
	assert.Contains(t, r[0].Reason, `starts from checksum "first", which could not be computed`)
}

func TestTargets(t *testing.T) {
	data := noise(0x100)
	var sum byte
	for _, x := range data[:0x7F] {
		sum += x
	}
	data[0x7F] = -sum // so that all add up to zero
	var words uint16
	for at := 0x80; at < 0xA0; at += 2 {
		words += binary.BigEndian.Uint16(data[at:])
	}
	binary.BigEndian.PutUint16(data[0xA0:], 0x5AA5-words)
	// A CRC over data and its own CRC, most significant byte first: the
	// register ends at zero (the residue of CRC-16/IBM-3740 is 0x0000 in
	// Greg Cook's catalogue).
	put(data, 0xB0, "31323334353637383929B1") // "123456789", check 0x29B1
	b := flat(t, data, `
[[checksum]]
name      = "zero sum"
algorithm = "sum-8/u8"
cover     = ["0x0-0x7F"]
target    = 0
rebalance = { at = 0x7F, bytes = 1 }
[[checksum]]
name      = "constant sum"
sum       = { width = 16, word = 2 }
cover     = ["0x80-0xA1"]
target    = 0x5AA5
rebalance = { at = 0xA0, bytes = 2 }
[[checksum]]
name      = "residue"
algorithm = "CRC-16/IBM-3740"
cover     = ["0xB0-0xBA"]
target    = 0x0
rebalance = { at = 0xB9, bytes = 2 }
`)
	proves(t, b, []uint64{0, 0x7E, 0x7F, 0x80, 0x9F, 0xB0, 0xBA}, []uint64{0xA2, 0xBB}, "0x7F+1", "0xA0+2", "0xB9+2")
	r := b.Check()[0]
	assert.Equal(t, "0x00", r.Stored)
	assert.Nil(t, r.Field)
	assert.Equal(t, image.Range{Start: 0x7F, Size: 1}, *r.Cell)
}

func TestRebalance(t *testing.T) {
	for name, rule := range map[string]string{
		"CRC, cell in the middle": `algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0xFF"]
target = 0xDEADBEEF
rebalance = { at = 0x21, bytes = 4 }`,
		"CRC, cell wider than the value": `algorithm = "CRC-12/UMTS"
cover = ["0x0-0xFF"]
target = 0x123
rebalance = { at = 0xF8, bytes = 4 }`,
		"xor": `sum = { width = 32, word = 4, op = "xor" }
cover = ["0x0-0xFF"]
target = 0
rebalance = { at = 0x40, bytes = 4 }`,
		"sum of words, little": `sum = { width = 32, word = 4, byte_order = "little" }
cover = ["0x0-0xFF"]
target = 0x12345678
rebalance = { at = 0x40, bytes = 4 }`,
		"sum of words, cell across words": `sum = { width = 16, word = 2 }
cover = ["0x0-0xFF"]
target = 0x0
rebalance = { at = 0x41, bytes = 2 }`,
		"two's complement": `sum = { width = 16, word = 2, form = "twos_complement" }
cover = ["0x0-0xFF"]
target = 0x1
rebalance = { at = 0x40, bytes = 2 }`,
		"end-around carry": `sum = { width = 16, word = 2, op = "add_carry", form = "ones_complement" }
cover = ["0x0-0xFF"]
target = 0x0
rebalance = { at = 0x40, bytes = 2 }`,
		"end-around carry, other side": `sum = { width = 16, word = 2, op = "add_carry" }
cover = ["0x0-0xFF"]
target = 0x1
rebalance = { at = 0x40, bytes = 2 }`,
		"end-around carry, all ones": `sum = { width = 16, word = 2, op = "add_carry" }
cover = ["0x0-0xFF"]
target = 0xFFFF
rebalance = { at = 0x40, bytes = 2 }`,
		"bytes counted three times": `algorithm = "sum-8/u8"
cover = ["0x0-0xFF", "0x80-0x8F", "0x80-0x8F"]
target = 0x0
rebalance = { at = 0x80, bytes = 2 }
count = [{ range = "0x10-0x10", as = 0 }]`,
		"64 bits": `sum = { width = 64, word = 8 }
cover = ["0x0-0xFF"]
target = "0xFFFFFFFFFFFFFFFF"
rebalance = { at = 0x10, bytes = 8 }`,
	} {
		t.Run(name, func(t *testing.T) {
			b := flat(t, noise(0x100), "[[checksum]]\nname = \"target\"\n"+rule)
			require.NotEmpty(t, failures(b))
			patches, err := b.Seal()
			require.NoError(t, err)
			require.Len(t, patches, 1)
			sealed, err := b.Apply(patches)
			require.NoError(t, err)
			assert.Empty(t, failures(sealed))
			assert.Equal(t, sealed.Check()[0].Stored, sealed.Check()[0].Computed)
		})
	}
}

func TestWhatCannotBeSealed(t *testing.T) {
	t.Run("no field", func(t *testing.T) {
		b := flat(t, noise(0x100), `
[[checksum]]
name = "bare target"
algorithm = "sum-8/u8"
cover = ["0x0-0xFF"]
target = 0
`)
		_, err := b.Seal()
		var e *maps.NoFieldError
		require.ErrorAs(t, err, &e)
		assert.Equal(t, "bare target", e.Rule)
	})
	t.Run("out of reach", func(t *testing.T) {
		b := flat(t, noise(0x100), `
[[checksum]]
name = "small cell"
sum = { width = 32 }
cover = ["0x0-0xFF"]
target = 0xFFFFFF
rebalance = { at = 0x0, bytes = 2 }
`)
		_, err := b.Seal()
		require.ErrorContains(t, err, "no content of the cell reaches the target")
	})
	t.Run("no way known", func(t *testing.T) {
		b := flat(t, noise(0x100), `
[[checksum]]
name = "digest"
algorithm = "SHA-256"
cover = ["0x0-0xFF"]
target = 0
rebalance = { at = 0x0, bytes = 2 }
`)
		_, err := b.Seal()
		require.ErrorContains(t, err, "only sums and CRCs can be rebalanced")
	})
	t.Run("a loop that only the image shows", func(t *testing.T) {
		data := noise(0x100)
		data[0], data[1] = 0x80, 0x82 // where the fields are
		b := flat(t, data, `
[[checksum]]
name = "a"
algorithm = "CRC-16/IBM-3740"
cover = ["0x82-0x90"]
stored = { at = { at = 0x0, type = "u8" } }
[[checksum]]
name = "b"
algorithm = "CRC-16/IBM-3740"
cover = ["0x80-0x81"]
stored = { at = { at = 0x1, type = "u8" } }
`)
		_, err := b.Seal()
		var e *maps.LoopError
		require.ErrorAs(t, err, &e)
		assert.Equal(t, []string{"a", "b", "a"}, e.Rules)
	})
	t.Run("two fields at one place", func(t *testing.T) {
		data := noise(0x100)
		data[0], data[1] = 0x80, 0x81
		b := flat(t, data, `
[[checksum]]
name = "a"
algorithm = "CRC-16/IBM-3740"
cover = ["0x10-0x1F"]
stored = { at = { at = 0x0, type = "u8" } }
[[checksum]]
name = "b"
algorithm = "CRC-16/IBM-3740"
cover = ["0x20-0x2F"]
stored = { at = { at = 0x1, type = "u8" } }
`)
		_, err := b.Seal()
		require.ErrorContains(t, err, "overlap")
	})
	t.Run("a length that a seal changes", func(t *testing.T) {
		b := flat(t, noise(0x100), `
[[checksum]]
name = "a"
algorithm = "CRC-16/IBM-3740"
cover = ["0x10-0x1F"]
stored = { at = 0x80 }
[[checksum]]
name = "b"
algorithm = "CRC-16/IBM-3740"
cover = [{ start = 0x20, length = { at = 0x80, type = "u8", plus = 1 } }]
stored = { at = 0xF0 }
gaps = "skip"
`)
		_, err := b.Seal()
		require.ErrorContains(t, err, "after all rules were sealed")
	})
	t.Run("the field is missing", func(t *testing.T) {
		m := parse(t, 0x100, `
[[checksum]]
name = "a"
algorithm = "CRC-16/IBM-3740"
cover = ["0x10-0x1F"]
stored = { at = 0x80 }
`)
		b := apply(t, m, image.Segment{Data: noise(0x80)})
		r := b.Check()[0]
		assert.Equal(t, evidence.Fail, r.Verdict)
		assert.Contains(t, r.Reason, "the stored value cannot be read: the image holds no byte at 0x80")
		assert.NotEmpty(t, r.Computed)
		_, err := b.Seal()
		require.Error(t, err)
	})
}

// TestDependencyThroughASeed has a rule that covers no other one's field, but
// starts from one that does.
func TestDependencyThroughASeed(t *testing.T) {
	b := flat(t, noise(0x100), `
[[checksum]]
name = "seeded"
algorithm = "CRC-16/IBM-3740"
init_from = "middle"
cover = ["0x80-0x8F"]
stored = { at = 0xF0 }
[[checksum]]
name = "middle"
algorithm = "CRC-16/IBM-3740"
cover = ["0x0-0x1F"]
stored = { at = 0xF2 }
[[checksum]]
name = "inner"
algorithm = "CRC-16/IBM-3740"
cover = ["0x20-0x2F"]
stored = { at = 0x10 }
`)
	patches, err := b.Seal()
	require.NoError(t, err)
	require.Len(t, patches, 3)
	assert.Equal(t, []string{"inner", "middle", "seeded"}, []string{patches[0].Rule, patches[1].Rule, patches[2].Rule})
}

// TestDependencyOrder has three rules in a chain, written in the wrong order,
// and a zero sum over all of them.
func TestDependencyOrder(t *testing.T) {
	b := flat(t, noise(0x400), `
[[checksum]]
name = "everything"
algorithm = "sum-8/u8"
cover = ["0x0-0x3FF"]
target = 0
rebalance = { at = 0x3FF, bytes = 1 }
[[checksum]]
name = "header"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0x1F"]
stored = { at = 0x4, counted_as = 0 }
[[checksum]]
name = "header's copy, as a file"
algorithm = "SHA-256"
cover = ["0x0-0x1F"]
stored = { at = 0x40 }
[[checksum]]
name = "data"
algorithm = "CRC-16/IBM-3740"
cover = ["0x100-0x3F0"]
stored = { at = 0x10 }
[[checksum]]
name = "number of the data's CRC"
algorithm = "CRC-8/SMBUS"
cover = ["0x10-0x11"]
stored = { at = 0x12 }
`)
	patches, err := b.Seal()
	require.NoError(t, err)
	var order []string
	for _, p := range patches {
		order = append(order, p.Rule)
		assert.NotEqual(t, p.Before, p.After)
		old, err := b.Image.Bytes(image.Range{Start: p.Addr, Size: uint64(len(p.Before))})
		require.NoError(t, err)
		assert.Equal(t, old, p.Before, "Seal changes nothing")
	}
	assert.Equal(t, "everything", order[4])
	assert.Less(t, slices.Index(order, "data"), slices.Index(order, "number of the data's CRC"))
	assert.Less(t, slices.Index(order, "number of the data's CRC"), slices.Index(order, "header"))
	assert.Less(t, slices.Index(order, "header"), slices.Index(order, "header's copy, as a file"))
	sealed, err := b.Apply(patches)
	require.NoError(t, err)
	assert.Empty(t, failures(sealed))
	proves(t, sealed, []uint64{0, 0x1F, 0x100, 0x3F0, 0x3FF}, nil, "0x4+4", "0x10+3", "0x40+32", "0x3FF+1")
}

func TestGaps(t *testing.T) {
	data := noise(0x100)
	sections := func(gaps string) string {
		return `
[[checksum]]
name = "gap"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0x7F"]
count = [{ range = "0x28-0x2F", as = 0x11 }]
stored = { at = 0xE0 }
` + gaps
	}
	with := func(gap []byte) []byte { // 0x20-0x3F is missing, of which 0x28-0x2F is counted as 0x11 whatever it holds
		out := slices.Clone(data[:0x20])
		mask := slices.Repeat([]byte{0x11}, 8)
		if gap == nil {
			out = append(out, mask...)
		} else {
			out = append(out, gap[:8]...)
			out = append(out, mask...)
			out = append(out, gap[:16]...)
		}
		return append(out, data[0x40:0x80]...)
	}
	for name, c := range map[string]struct {
		gaps string
		want []byte
	}{
		"skip": {`gaps = "skip"`, with(nil)},
		"fill": {`gaps = 0xA5`, with(slices.Repeat([]byte{0xA5}, 16))},
	} {
		t.Run(name, func(t *testing.T) {
			d := slices.Clone(data)
			binary.BigEndian.PutUint32(d[0xE0:], crc32.ChecksumIEEE(c.want))
			b := apply(t, parse(t, 0x100, sections(c.gaps)), image.Segment{Data: d[:0x20]}, image.Segment{Start: 0x40, Data: d[0x40:]})
			proves(t, b, []uint64{0, 0x1F, 0x40, 0x7F}, []uint64{0x80}, "0xE0+4")
		})
	}
	for _, gaps := range []string{"", `gaps = "error"`} {
		b := apply(t, parse(t, 0x100, sections(gaps)), image.Segment{Data: data[:0x20]}, image.Segment{Start: 0x40, Data: data[0x40:]})
		r := b.Check()[0]
		assert.Equal(t, evidence.Fail, r.Verdict)
		assert.Equal(t, maps.CodeUnreadable, r.Finding().Code)
		assert.Contains(t, r.Reason, "the image holds no byte at 0x20")
	}
	// An image that holds none of the bytes proves nothing by skipping them.
	b := apply(t, parse(t, 0x100, `
[[checksum]]
name = "gap"
algorithm = "sum-8/u8"
cover = ["0x0-0x7F"]
gaps = "skip"
target = 0
`), image.Segment{Start: 0x80, Data: data[0x80:]})
	assert.Equal(t, evidence.Fail, b.Check()[0].Verdict)
}

func TestLimitOfCoveredBytes(t *testing.T) {
	// 1000 repetitions of a megabyte each, all over a gap that is filled.
	m, err := maps.Parse("", []byte(`format = 1
[image]
size = 0x80000000
byte_order = "big"
[[checksum]]
name = "huge"
algorithm = "sum-8/u8"
cover = ["0x100000+0x100000"]
gaps = 0xFF
repeat = { count = 1000, stride = 0x100000, stored_stride = 1 }
stored = { at = 0x0 }
`))
	require.NoError(t, err)
	results := apply(t, m, image.Segment{Data: make([]byte, 0x1000)}).Check()
	require.Len(t, results, 1000)
	computed := 0
	for _, r := range results {
		if r.Computed != "" {
			computed++
		} else {
			assert.Contains(t, r.Reason, "the most it may in an image of 4096 bytes")
		}
	}
	assert.Equal(t, 16, computed)
	assert.Equal(t, uint64(16<<20), maps.MaxCovered(0x1000))
	assert.Equal(t, uint64(32<<20), maps.MaxCovered(4<<20))
}

func TestLimitOfResults(t *testing.T) {
	var rules strings.Builder
	for i := range 10 {
		fmt.Fprintf(&rules, "[[checksum]]\nname = \"%d\"\nalgorithm = \"sum-8/u8\"\ncover = [\"0x0+1\"]\nrepeat = { count = 8192, stride = 1 }\ntarget = 0\n", i)
	}
	b := flat(t, make([]byte, 8192), rules.String())
	results := b.Check()
	require.Len(t, results, maps.MaxResults+2)
	for i, r := range results {
		if i < maps.MaxResults {
			require.Equal(t, evidence.Pass, r.Verdict)
			continue
		}
		assert.Equal(t, evidence.Fail, r.Verdict)
		assert.Contains(t, r.Reason, "more than 65536 repetitions")
	}
	_, err := b.Seal()
	require.ErrorContains(t, err, "more than 65536 repetitions")
}

func TestResultsReadWell(t *testing.T) {
	data := noise(0x100)
	b := flat(t, data, `
[[checksum]]
name = "CRC of the program"
algorithm = "CRC-16/IBM-3740"
cover = ["0x0-0x7F"]
stored = { at = 0x80, byte_order = "little" }
`)
	r := b.Check()[0]
	assert.Equal(t, fmt.Sprintf("computed %s, but the field at 0x80 holds 0x%02X%02X", r.Computed, data[0x81], data[0x80]), r.Reason)
	f := r.Finding()
	assert.Equal(t, evidence.Fault, f.Severity)
	assert.Equal(t, `checksum "CRC of the program": `+r.Reason, f.Message)
	assert.Equal(t, []image.Range{{Start: 0x80, Size: 2}}, f.Ranges)
	assert.Equal(t, "CRC-16/IBM-3740", r.Algorithm)
}
