package checksum

import "math/bits"

// CRCs of 65 to 128 bits go a byte at a time, by table.

func (e *engine) loadWide(number u128, reversed bool) u128 {
	if !reversed {
		number = number.shl(128 - e.width)
	}
	if reversed != e.reflected {
		number = number.reverse()
	}
	return number
}

func (e *engine) storeWide(reg u128, reversed bool) u128 {
	if reversed != e.reflected {
		reg = reg.reverse()
	}
	if !reversed {
		reg = reg.shr(128 - e.width)
	}
	return reg
}

func (e *engine) updateWide(r u128, data []byte) u128 {
	t := e.table.Load()
	if t == nil {
		t = e.makeTable()
		e.table.Store(t) // another goroutine may have done so: the tables are equal
	}
	if e.reflected {
		for _, b := range data {
			r = r.shr(8).xor(t[byte(r.lo)^b])
		}
		return r
	}
	for _, b := range data {
		r = r.shl(8).xor(t[byte(r.hi>>56)^b])
	}
	return r
}

// makeTable computes what each byte gives from a register of zeros.
func (e *engine) makeTable() *[256]u128 {
	t := new([256]u128)
	poly := e.loadWide(e.poly, false)
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
		t[b] = r
	}
	return t
}

// fillWide doubles: k bytes take the register r to r*shift + run; the bits of
// n say how to make k grow to n.
func (e *engine) fillWide(reg u128, b byte, n uint64) u128 {
	f := field{e.width, e.poly}
	one := e.storeWide(e.updateWide(u128{}, []byte{b}), false)
	byteX := u128{lo: 1 << 8} // x^8, already reduced
	run, shift := u128{}, u128{lo: 1}
	for i := bits.Len64(n) - 1; i >= 0; i-- {
		run = run.xor(f.mul(run, shift))
		shift = f.mul(shift, shift)
		if n>>i&1 != 0 {
			run = f.mul(run, byteX).xor(one)
			shift = f.mul(shift, byteX)
		}
	}
	return e.loadWide(f.mul(e.storeWide(reg, false), shift).xor(run), false)
}
