package checksum

import (
	"math/bits"
	"sync"
)

// wideEngine serves CRCs of 65 to 128 bits, a byte at a time. The register has
// 128 bits and stands at the top of them, or at the bottom if reflected.
type wideEngine struct {
	width     int
	field     field
	reflected bool

	once  sync.Once // makes table at first use
	table *[256]u128
}

func newWideEngine(width int, poly u128, reflected bool) *wideEngine {
	return &wideEngine{width: width, field: field{width, poly}, reflected: reflected}
}

func (e *wideEngine) load(poly u128) u128 {
	if e.reflected {
		return poly.reverse(e.width)
	}
	return poly.shl(128 - e.width)
}

func (e *wideEngine) store(reg u128) u128 {
	if e.reflected {
		return reg.reverse(e.width)
	}
	return reg.shr(128 - e.width)
}

func (e *wideEngine) update(r u128, data []byte) u128 {
	e.once.Do(e.makeTable)
	if e.reflected {
		for _, b := range data {
			r = r.shr(8).xor(e.table[byte(r.lo)^b])
		}
		return r
	}
	for _, b := range data {
		r = r.shl(8).xor(e.table[byte(r.hi>>56)^b])
	}
	return r
}

// fill doubles: k bytes take the register r to r*shift + run; the bits of n
// say how to make k grow to n.
func (e *wideEngine) fill(reg u128, b byte, n uint64) u128 {
	one := e.store(e.update(u128{}, []byte{b}))
	byteX := u128{lo: 1 << 8} // x^8, already reduced
	run, shift := u128{}, u128{lo: 1}
	for i := bits.Len64(n) - 1; i >= 0; i-- {
		run = run.xor(e.field.mul(run, shift))
		shift = e.field.mul(shift, shift)
		if n>>i&1 != 0 {
			run = e.field.mul(run, byteX).xor(one)
			shift = e.field.mul(shift, byteX)
		}
	}
	return e.load(e.field.mul(e.store(reg), shift).xor(run))
}

// makeTable computes what each byte gives from a register of zeros.
func (e *wideEngine) makeTable() {
	e.table = new([256]u128)
	poly := e.load(e.field.poly)
	for b := range uint64(256) {
		r := u128{lo: b}
		if !e.reflected {
			r = u128{hi: b << 56}
		}
		for range 8 {
			var out uint64
			if e.reflected {
				out, r = r.bit(0), r.shr(1)
			} else {
				out, r = r.bit(127), r.shl(1)
			}
			if out != 0 {
				r = r.xor(poly)
			}
		}
		e.table[b] = r
	}
}
