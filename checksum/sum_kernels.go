package checksum

import "encoding/binary"

// The loops here read rows of eight bytes, byte i in column i. Even and odd
// columns are kept in the 16-bit lanes of two registers of 64 bits, until the
// lanes are about to overflow. Where vectors do the same faster, they are asked
// first and leave what does not fill one.

// maxWeighed keeps the weighted sum of a column below 2^34 (255 * 2^13 * 2^13/2),
// and in 32 bits where only every fourth row is counted. Then all eight, shifted
// into words and multiplied by the words in a row, stay below 2^62 together.
const maxWeighed = 8 << 13

const evenLanes = 0x00FF00FF00FF00FF

// addColumns adds each column of rows, whole rows of 8 bytes, to its sum.
func addColumns(columns *[8]uint64, rows []byte) {
	rows = rows[addColumnsFast(columns, rows):]
	for len(rows) >= 8 {
		block := rows[:min(len(rows), 256*8)] // 256 * 255 < 2^16
		rows = rows[len(block):]
		var even, odd uint64
		for len(block) >= 32 {
			a := binary.LittleEndian.Uint64(block)
			b := binary.LittleEndian.Uint64(block[8:])
			c := binary.LittleEndian.Uint64(block[16:])
			d := binary.LittleEndian.Uint64(block[24:])
			even += a&evenLanes + b&evenLanes + c&evenLanes + d&evenLanes
			odd += a>>8&evenLanes + b>>8&evenLanes + c>>8&evenLanes + d>>8&evenLanes
			block = block[32:]
		}
		for ; len(block) >= 8; block = block[8:] {
			a := binary.LittleEndian.Uint64(block)
			even += a & evenLanes
			odd += a >> 8 & evenLanes
		}
		for i := range 4 {
			columns[2*i] += even >> (16 * i) & 0xFFFF
			columns[2*i+1] += odd >> (16 * i) & 0xFFFF
		}
	}
}

// xorColumns XORs each column of rows, whole rows of 8 bytes, into the low
// byte of its sum.
func xorColumns(columns *[8]uint64, rows []byte) {
	var a, b, c, d uint64
	for ; len(rows) >= 32; rows = rows[32:] {
		a ^= binary.LittleEndian.Uint64(rows)
		b ^= binary.LittleEndian.Uint64(rows[8:])
		c ^= binary.LittleEndian.Uint64(rows[16:])
		d ^= binary.LittleEndian.Uint64(rows[24:])
	}
	for ; len(rows) >= 8; rows = rows[8:] {
		a ^= binary.LittleEndian.Uint64(rows)
	}
	a ^= b ^ c ^ d
	for i := range columns {
		columns[i] ^= a >> (8 * i) & 0xFF
	}
}

// weighColumns returns for each column of rows, whole rows of 8 bytes and at
// most maxWeighed bytes, its sum and its weighted sum: in the latter the last
// row counts once, the one before it twice, and so on.
func weighColumns(rows []byte) (sum, weighted [8]uint64) {
	rows = rows[weighColumnsFast(&sum, &weighted, rows):]
	for len(rows) >= 8 {
		block := rows[:min(len(rows), 22*8)] // 255 * 22*23/2 < 2^16
		rows = rows[len(block):]
		n := uint64(len(block) / 8)
		// A row counts once more with every row that follows: adding the
		// running sums up does that.
		var even, odd, evenW, oddW uint64
		for ; len(block) >= 8; block = block[8:] {
			a := binary.LittleEndian.Uint64(block)
			even += a & evenLanes
			odd += a >> 8 & evenLanes
			evenW += even
			oddW += odd
		}
		for i := range 4 {
			weighted[2*i] += n*sum[2*i] + evenW>>(16*i)&0xFFFF
			weighted[2*i+1] += n*sum[2*i+1] + oddW>>(16*i)&0xFFFF
			sum[2*i] += even >> (16 * i) & 0xFFFF
			sum[2*i+1] += odd >> (16 * i) & 0xFFFF
		}
	}
	return sum, weighted
}
