package maps_test

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

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
