package readcheck

import "encoding/binary"

// The lengths of x86 instructions, after the opcode maps of the Intel 64 and
// IA-32 Architectures Software Developer's Manual, volume 2, appendix A. What
// an instruction does is of no interest here, so codes that no processor knows
// get the length of their neighbours.

// x86Mode is the width in which x86 code runs: 16, 32 or 64 bits.
type x86Mode int

// operands says what follows an opcode.
type operands uint8

const (
	hasModRM operands = 1 << iota // a byte of operands, with what hangs on it
	hasByte                       // a constant of one byte
	hasWord                       // a constant of two bytes
	hasSized                      // a constant of two or four bytes, by the width of the operands
	hasAddr                       // an address as wide as addresses are
	isPrefix                      // more of the instruction follows
	isBranch                      // the constant is a distance from the end of the instruction
	hasWhole                      // the constant is of eight bytes in 64-bit operands
)

var x86One, x86Two = x86Maps()

func x86Maps() (one, two [256]operands) {
	set := func(m *[256]operands, from, to int, o operands) {
		for i := from; i <= to; i++ {
			m[i] = o
		}
	}
	for i := 0; i < 0x40; i += 8 {
		set(&one, i, i+3, hasModRM)
		one[i+4], one[i+5] = hasByte, hasSized
	}
	for _, p := range []int{0x26, 0x2E, 0x36, 0x3E, 0x64, 0x65, 0x66, 0x67, 0xF0, 0xF2, 0xF3} {
		one[p] = isPrefix
	}
	set(&one, 0x62, 0x63, hasModRM)
	one[0x68], one[0x69], one[0x6A], one[0x6B] = hasSized, hasModRM|hasSized, hasByte, hasModRM|hasByte
	set(&one, 0x70, 0x7F, hasByte|isBranch)
	set(&one, 0x80, 0x8F, hasModRM)
	one[0x80], one[0x81], one[0x82], one[0x83] = hasModRM|hasByte, hasModRM|hasSized, hasModRM|hasByte, hasModRM|hasByte
	one[0x9A], one[0xEA] = hasSized|hasWord, hasSized|hasWord
	set(&one, 0xA0, 0xA3, hasAddr)
	one[0xA8], one[0xA9] = hasByte, hasSized
	set(&one, 0xB0, 0xB7, hasByte)
	set(&one, 0xB8, 0xBF, hasSized|hasWhole)
	set(&one, 0xC0, 0xC1, hasModRM|hasByte)
	one[0xC2], one[0xCA], one[0xC8], one[0xCD] = hasWord, hasWord, hasWord|hasByte, hasByte
	set(&one, 0xC4, 0xC5, hasModRM)
	one[0xC6], one[0xC7] = hasModRM|hasByte, hasModRM|hasSized
	set(&one, 0xD0, 0xD3, hasModRM)
	set(&one, 0xD4, 0xD5, hasByte)
	set(&one, 0xD8, 0xDF, hasModRM)
	set(&one, 0xE0, 0xE3, hasByte|isBranch)
	set(&one, 0xE4, 0xE7, hasByte)
	set(&one, 0xE8, 0xE9, hasSized|isBranch)
	one[0xEB] = hasByte | isBranch
	set(&one, 0xF6, 0xF7, hasModRM)
	set(&one, 0xFE, 0xFF, hasModRM)

	set(&two, 0x00, 0x03, hasModRM)
	two[0x0D], two[0x0F] = hasModRM, hasModRM|hasByte
	set(&two, 0x10, 0x2F, hasModRM)
	two[0x38], two[0x3A] = hasModRM, hasModRM|hasByte // the third byte of the opcode is taken separately
	set(&two, 0x40, 0x7F, hasModRM)
	set(&two, 0x70, 0x73, hasModRM|hasByte)
	two[0x77] = 0
	set(&two, 0x80, 0x8F, hasSized|isBranch)
	set(&two, 0x90, 0x9F, hasModRM)
	two[0xA3], two[0xA4], two[0xA5] = hasModRM, hasModRM|hasByte, hasModRM
	two[0xAB], two[0xAC], two[0xAD], two[0xAE], two[0xAF] = hasModRM, hasModRM|hasByte, hasModRM, hasModRM, hasModRM
	set(&two, 0xB0, 0xC7, hasModRM)
	two[0xBA], two[0xC2] = hasModRM|hasByte, hasModRM|hasByte
	set(&two, 0xC4, 0xC6, hasModRM|hasByte)
	set(&two, 0xD0, 0xFF, hasModRM)
	return one, two
}

// x86Instruction is what matters of one instruction.
type x86Instruction struct {
	size     int
	kind     refKind
	distance int // from its end to what it refers to
}

// refKind says to what an instruction refers by a distance.
type refKind uint8

const (
	refNone refKind = iota
	refJump         // a jump to another instruction
	refCall         // a call of one
	refData         // the address of data, taken (LEA)
)

const mostX86 = 15 // bytes of the longest instruction

// decodeX86 returns the first instruction of data, of size 0 if it is longer
// than data.
func decodeX86(data []byte, mode x86Mode) x86Instruction {
	none := x86Instruction{}
	wide, addr := mode != 16, mode != 16 // operands and addresses of 32 bits or more
	rexW := false
	i := 0
	var code byte
	for {
		if i >= len(data) || i >= mostX86 {
			return none
		}
		code = data[i]
		i++
		if mode == 64 && code&0xF0 == 0x40 {
			rexW = code&8 != 0
			continue
		}
		if x86One[code] != isPrefix {
			break
		}
		rexW = false
		switch code {
		case 0x66:
			wide = mode == 16
		case 0x67:
			addr = mode == 16
		}
	}
	ops := x86One[code]
	lea := code == 0x8D
	branch := code == 0xE8
	switch {
	case mode == 64 && (code == 0xC4 || code == 0xC5): // VEX
		n := 3 - int(code&1) // bytes behind code, the last of them the opcode
		if i+n > len(data) {
			return none
		}
		table := byte(1)
		if code == 0xC4 {
			table = data[i] & 0x1F
		}
		i += n
		switch table {
		case 3:
			ops = hasModRM | hasByte
		case 1:
			ops = x86Two[data[i-1]]
		default:
			ops = hasModRM
		}
		lea = false
	case mode == 64 && code == 0x62: // EVEX
		if i+4 > len(data) {
			return none
		}
		ops = hasModRM
		if data[i]&7 == 3 {
			ops |= hasByte
		}
		i += 4
	case code == 0x0F:
		if i >= len(data) {
			return none
		}
		code = data[i]
		i++
		ops = x86Two[code]
		if code == 0x38 || code == 0x3A {
			i++
		}
		lea, branch = false, false
	case code == 0xF6 || code == 0xF7:
		if i < len(data) && data[i]&0x30 == 0 {
			if ops |= hasByte; code == 0xF7 {
				ops ^= hasByte | hasSized
			}
		}
	}
	in := x86Instruction{}
	relative := 0 // where the distance to data stands
	if ops&hasModRM != 0 {
		if i >= len(data) {
			return none
		}
		m := data[i]
		i++
		mod, rm := m>>6, m&7
		switch {
		case mod == 3:
		case addr:
			if rm == 4 {
				if i >= len(data) {
					return none
				}
				if mod == 0 && data[i]&7 == 5 {
					i += 4
				}
				i++
			}
			switch {
			case mod == 1:
				i++
			case mod == 2:
				i += 4
			case rm == 5:
				if mode == 64 && lea {
					relative = i
				}
				i += 4
			}
		case mod == 1:
			i++
		case mod == 2 || rm == 6:
			i += 2
		}
	}
	constant := i
	if ops&hasByte != 0 {
		i++
	}
	if ops&hasWord != 0 {
		i += 2
	}
	if ops&hasSized != 0 {
		switch {
		case ops&hasWhole != 0 && rexW:
			i += 8
		case wide || mode == 64 && ops&isBranch != 0:
			i += 4
		default:
			i += 2
		}
	}
	if ops&hasAddr != 0 {
		switch {
		case mode == 64 && addr:
			i += 8
		case addr:
			i += 4
		default:
			i += 2
		}
	}
	if i > len(data) {
		return none
	}
	in.size = i
	switch {
	case ops&isBranch != 0:
		in.kind = refJump
		if branch {
			in.kind = refCall
		}
		switch i - constant {
		case 1:
			in.distance = int(int8(data[constant]))
		case 2:
			in.distance = int(int16(binary.LittleEndian.Uint16(data[constant:])))
		default:
			in.distance = int(int32(binary.LittleEndian.Uint32(data[constant:])))
		}
	case relative > 0:
		in.kind = refData
		in.distance = int(int32(binary.LittleEndian.Uint32(data[relative:])))
	}
	return in
}
