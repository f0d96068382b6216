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
