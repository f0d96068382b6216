package readcheck

import "encoding/binary"

// Processors whose instructions are whole words fetch them from multiples of
// the word. Functions end alike there, so that the instruction that returns from
// them stands hundreds of times in an image, always at such a multiple. Behind
// a lost byte none does.

// returnCode is how functions end.
type returnCode struct {
	bytes string
	grain int // it stands at multiples of
}

// returnCodes are returns of four bytes, which no other content is likely to
// hold often, each from the manual of its architecture.
var returnCodes = []returnCode{
	{"\x4E\x80\x00\x20", 4}, // PowerPC, big-endian: blr
	{"\x20\x00\x80\x4E", 4}, // PowerPC, little-endian
	{"\x1E\xFF\x2F\xE1", 4}, // ARM, little-endian: bx lr
	{"\xE1\x2F\xFF\x1E", 4}, // ARM, big-endian
	{"\xBD\xE8\xF0\x87", 2}, // ARM Thumb-2: pop {r4-r10, pc}
	{"\xBD\xE8\xF0\x8F", 2}, // pop {r4-r11, pc}
	{"\xBD\xE8\xF8\x8F", 2}, // pop {r3-r11, pc}
	{"\xC0\x03\x5F\xD6", 4}, // AArch64: ret
	{"\x03\xE0\x00\x08", 4}, // MIPS, big-endian: jr ra
	{"\x08\x00\xE0\x03", 4}, // MIPS, little-endian
	{"\x81\xC3\xE0\x08", 4}, // SPARC: retl
	{"\x81\xC7\xE0\x08", 4}, // SPARC: ret
	{"\xE8\x40\xC0\x02", 4}, // PA-RISC: bv,n r0(rp)
	{"\xE8\x40\xC0\x00", 4}, // PA-RISC: bv r0(rp)
	{"\x01\x80\xFA\x6B", 4}, // Alpha: ret
	{"\x67\x80\x00\x00", 4}, // RISC-V: ret
	{"\x4E\x5E\x4E\x75", 2}, // 68k: unlk a6, rts
}

// returnsOf lists where each of the returnCodes stands.
func returnsOf(data []byte) [][]int32 {
	lists := make([][]int32, len(returnCodes))
	var first [1 << 16]bool // pairs of bytes with which one begins
	values := make([]uint32, len(returnCodes))
	for k, code := range returnCodes {
		values[k] = binary.LittleEndian.Uint32([]byte(code.bytes))
		first[uint16(values[k])] = true
	}
	for i := 0; i+4 <= len(data); i++ {
		v := binary.LittleEndian.Uint32(data[i:])
		if !first[uint16(v)] {
			continue
		}
		for k, want := range values {
			if v == want {
				lists[k] = append(lists[k], int32(i))
			}
		}
	}
	return lists
}

// returnShift returns the likeliest shift by where functions end, and what one
// kind of returns says for it. Offset 0 is address start.
func returnShift(data []byte, start uint64) (shift, alignVotes) {
	var sh shift
	var votes alignVotes
	for k, at := range returnsOf(data) {
		for _, move := range []int{-1, 1} {
			if s, v := alignedFrom(at, at, start, returnCodes[k].grain, move); v.points() > votes.points() {
				sh, votes = s, v
				sh.sure = returnCodes[k].grain > 2
			}
		}
	}
	return sh, votes
}
