package checksum

import (
	"encoding/binary"
	"math/bits"
	"sync"
)

// engine64 serves every CRC of up to 64 bits with one register of 64 bits.
//
// The polynomial P of degree w is lifted to P' = P * x^(64-w). The remainder
// modulo P' of a message times x^64 is the remainder modulo P of the message
// times x^w, times x^(64-w): dividing M*x^w = Q*P + R and multiplying by
// x^(64-w) gives M*x^64 = Q*P' + R*x^(64-w), and the degree of the last term
// is below 64. So the register of the lifted CRC is that of the original,
// shifted to the top. Reflected registers are reversed in their full 64 bits,
// which puts the w bits at the bottom, where they read as a register of w
// bits reversed.
type engine64 struct {
	width     int
	poly      uint64 // P' without its top term; reversed if reflected
	reflected bool

	once   sync.Once // builds tables at first use
	tables *slicingTables
}

// slicingTables holds at [k][b] what byte b, followed by k zero bytes, gives
// from a register of zeros: 32 KiB.
type slicingTables [16][256]uint64

func newEngine64(width int, poly uint64, reflected bool) *engine64 {
	e := &engine64{width: width, reflected: reflected}
	e.poly = e.load(u128{lo: poly}).lo
	return e
}

func (e *engine64) load(poly u128) u128 {
	r := poly.lo << (64 - e.width)
	if e.reflected {
		r = bits.Reverse64(r)
	}
	return u128{lo: r}
}

func (e *engine64) store(reg u128) u128 {
	if e.reflected {
		reg.lo = bits.Reverse64(reg.lo)
	}
	return u128{lo: reg.lo >> (64 - e.width)}
}

func (e *engine64) update(reg u128, data []byte) u128 {
	e.once.Do(func() { e.tables = makeSlicingTables(e.poly, e.reflected) })
	if e.reflected {
		return u128{lo: e.tables.updateReflected(reg.lo, data)}
	}
	return u128{lo: e.tables.update(reg.lo, data)}
}

func makeSlicingTables(poly uint64, reflected bool) *slicingTables {
	t := new(slicingTables)
	for b := range uint64(256) {
		if reflected {
			r := b
			for range 8 {
				r = r>>1 ^ poly&-(r&1)
			}
			t[0][b] = r
		} else {
			r := b << 56
			for range 8 {
				r = r<<1 ^ poly&-(r>>63)
			}
			t[0][b] = r
		}
	}
	for k := 1; k < len(t); k++ {
		for b, r := range t[k-1] {
			if reflected {
				t[k][b] = r>>8 ^ t[0][byte(r)]
			} else {
				t[k][b] = r<<8 ^ t[0][byte(r>>56)]
			}
		}
	}
	return t
}

// update takes 16 bytes at a time. The register meets the first 8 of them;
// byte i of the 16 has 15-i bytes after it, which picks its table. The pairs
// keep the way from one register to the next short.
func (t *slicingTables) update(r uint64, data []byte) uint64 {
	for len(data) >= 16 {
		x := binary.BigEndian.Uint64(data) ^ r
		y := binary.BigEndian.Uint64(data[8:])
		s := t[7][byte(y>>56)] ^ t[6][byte(y>>48)] ^ t[5][byte(y>>40)] ^ t[4][byte(y>>32)] ^
			t[3][byte(y>>24)] ^ t[2][byte(y>>16)] ^ t[1][byte(y>>8)] ^ t[0][byte(y)]
		r = (t[15][byte(x>>56)] ^ t[14][byte(x>>48)]) ^ (t[13][byte(x>>40)] ^ t[12][byte(x>>32)]) ^
			((t[11][byte(x>>24)] ^ t[10][byte(x>>16)]) ^ (t[9][byte(x>>8)] ^ t[8][byte(x)])) ^ s
		data = data[16:]
	}
	for _, b := range data {
		r = r<<8 ^ t[0][byte(r>>56)^b]
	}
	return r
}

// updateReflected is update for registers reversed bit by bit: the first byte
// meets the low end.
func (t *slicingTables) updateReflected(r uint64, data []byte) uint64 {
	for len(data) >= 16 {
		x := binary.LittleEndian.Uint64(data) ^ r
		y := binary.LittleEndian.Uint64(data[8:])
		s := t[7][byte(y)] ^ t[6][byte(y>>8)] ^ t[5][byte(y>>16)] ^ t[4][byte(y>>24)] ^
			t[3][byte(y>>32)] ^ t[2][byte(y>>40)] ^ t[1][byte(y>>48)] ^ t[0][byte(y>>56)]
		r = (t[15][byte(x)] ^ t[14][byte(x>>8)]) ^ (t[13][byte(x>>16)] ^ t[12][byte(x>>24)]) ^
			((t[11][byte(x>>32)] ^ t[10][byte(x>>40)]) ^ (t[9][byte(x>>48)] ^ t[8][byte(x>>56)])) ^ s
		data = data[16:]
	}
	for _, b := range data {
		r = r>>8 ^ t[0][byte(r)^b]
	}
	return r
}
