package fold

import (
	"encoding/binary"
	"math/bits"
)

// tables serve the portable engine, which works on 16 bytes at a time:
// tables[j][b] is what a register of zero becomes after byte b and j zero
// bytes. Registers are held in memory order here: the byte that meets the next
// byte of data is the lowest. Reflected registers are so by nature, the others
// with their bytes reversed; one loop then serves both.
type tables [16][256]uint64

func makeTables(poly uint64, reflected bool) *tables {
	t := new(tables)
	for b := range t[0] {
		if reflected {
			t[0][b] = bits.Reverse64(mulBits(poly, bits.Reverse64(uint64(b))>>56, poly))
		} else {
			t[0][b] = bits.ReverseBytes64(mulBits(poly, uint64(b), poly))
		}
	}
	for j := 1; j < len(t); j++ {
		for b, r := range t[j-1] {
			t[j][b] = r>>8 ^ t[0][uint8(r)]
		}
	}
	return t
}

// update carries reg, in memory order, over data. The state after 16 bytes is
// the sum of what each byte alone would have left, since all steps are linear.
// Half of them do not wait for the register, and the other half is added as a
// tree, not a chain: that is worth a third of the speed.
func (t *tables) update(reg uint64, data []byte) uint64 {
	for len(data) >= 16 {
		b := binary.LittleEndian.Uint64(data[8:])
		a := binary.LittleEndian.Uint64(data) ^ reg
		later := t[7][uint8(b)] ^ t[6][uint8(b>>8)] ^ t[5][uint8(b>>16)] ^ t[4][uint8(b>>24)] ^
			t[3][uint8(b>>32)] ^ t[2][uint8(b>>40)] ^ t[1][uint8(b>>48)] ^ t[0][b>>56]
		first := ((t[15][uint8(a)] ^ t[14][uint8(a>>8)]) ^ (t[13][uint8(a>>16)] ^ t[12][uint8(a>>24)])) ^
			((t[11][uint8(a>>32)] ^ t[10][uint8(a>>40)]) ^ (t[9][uint8(a>>48)] ^ t[8][a>>56]))
		reg = first ^ later
		data = data[16:]
	}
	for _, b := range data {
		reg = reg>>8 ^ t[0][uint8(reg)^b]
	}
	return reg
}
