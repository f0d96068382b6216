package checksum

import "math/bits"

// u128 is an unsigned number of 128 bits, or a polynomial over GF(2) of degree
// below 128 whose coefficient of x^i is bit i.
type u128 struct{ hi, lo uint64 }

func (a u128) xor(b u128) u128 { return u128{a.hi ^ b.hi, a.lo ^ b.lo} }
func (a u128) and(b u128) u128 { return u128{a.hi & b.hi, a.lo & b.lo} }
func (a u128) isZero() bool    { return a.hi|a.lo == 0 }

// bit returns bit i, 0 being the least significant.
func (a u128) bit(i int) uint64 {
	if i >= 64 {
		return a.hi >> (i - 64) & 1
	}
	return a.lo >> i & 1
}

// shl shifts by n bits, 0 to 63, and shr by 0 to 128.
func (a u128) shl(n int) u128 { return u128{a.hi<<n | a.lo>>(64-n), a.lo << n} }

func (a u128) shr(n int) u128 {
	if n >= 64 {
		return u128{0, a.hi >> (n - 64)}
	}
	return u128{a.hi >> n, a.lo>>n | a.hi<<(64-n)}
}

// reverse returns the bits of a in reverse order.
func (a u128) reverse() u128 { return u128{bits.Reverse64(a.lo), bits.Reverse64(a.hi)} }

// mask128 has the low n bits set, n from 0 to 128 and all of them above.
func mask128(n int) u128 {
	if n >= 128 {
		return u128{^uint64(0), ^uint64(0)}
	}
	return u128{^uint64(0), ^uint64(0)}.shr(128 - n)
}
