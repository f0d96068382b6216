package maps_test

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/bits"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

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
			assert.NotEmpty(t, failures(t, changed), "a change of the field must show")
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
