package fold

import "math/bits"

// Mul returns a*b mod P', both in register form.
func (p *Poly) Mul(a, b uint64) uint64 {
	c := &p.constants
	if !p.generic {
		return mul(c, a, b)
	}
	if c.reflected {
		return bits.Reverse64(mulBits(bits.Reverse64(a), bits.Reverse64(b), p.poly))
	}
	return mulBits(a, b, p.poly)
}

// Shift returns reg*x^(8n) mod P': the register carried over n zero bytes. It
// takes at most 128 multiplications.
//
// The registers of A, B and AB, all started from zero, obey
// AB = Shift(A, len(B)) ^ B, and by linearity a change of start value by d
// changes the register after n bytes by Shift(d, n).
func (p *Poly) Shift(reg, n uint64) uint64 {
	return p.Fill(reg, 0, n)
}

// Fill returns the register carried over n bytes that all equal b, in at most
// 192 multiplications.
//
// One such byte maps a register r to r*m + a with m = x^8 and a the register
// of the byte alone. Applied twice, r*m + a is r*m^2 + (a*m + a): doubling
// gives every power of two, and the bits of n choose which ones to apply. All
// of them commute, being powers of one map.
func (p *Poly) Fill(reg uint64, b byte, n uint64) uint64 {
	m := uint64(1) << 8
	if p.constants.reflected {
		m = bits.Reverse64(m)
	}
	a := p.Update(0, []byte{b})
	for ; n > 0; n >>= 1 {
		if n&1 != 0 {
			reg = p.Mul(reg, m) ^ a
		}
		if a != 0 {
			a ^= p.Mul(a, m)
		}
		m = p.Mul(m, m)
	}
	return reg
}
