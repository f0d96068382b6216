package maps_test

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/bits"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"example.com/calproof/image/evidence"
)

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
