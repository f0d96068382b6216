package fold

import "math/bits"

// pair holds the two multipliers that move a 128-bit accumulator forward:
// pair[0] for its low half, pair[1] for its high half.
type pair [2]uint64

// constants is what the assembly knows of a polynomial. The kernels reach its
// fields by name through go_asm.h, so order and size matter only where a
// comment says so. See the package documentation for the meaning of each.
type constants struct {
	by2048, by1536, by1024, by512 pair

	// These four are loaded as one 512-bit vector: lane i of an accumulator
	// lies 384-128i bits before the last one. The last lane stays where it is.
	by384, by256, by128, by0 pair

	by64 pair // appends the 64 zero bits that a CRC register has seen beyond its message

	mu, poly uint64    // Barrett: floor(x^128/P') and P', in the form the engine wants
	low      [2]uint64 // mask for the one coefficient of P' that does not fit the reflected poly

	swap      [16]byte // order in which the bytes of a block become coefficients
	reflected bool
	wide      bool // let the kernel use its widest vectors

	x64 uint64 // x^64 mod P', in register form
}

func makeConstants(poly uint64, reflected bool) constants {
	c := constants{reflected: reflected}

	x128 := mulBits(poly, poly, poly) // poly itself is x^64
	x256 := mulBits(x128, x128, poly)
	x512 := mulBits(x256, x256, poly)
	next := func(from pair, power uint64) pair {
		return pair{mulBits(from[0], power, poly), mulBits(from[1], power, poly)}
	}
	by64 := pair{poly, x128} // x^64, x^128
	if reflected {
		by64 = pair{mulBits(1<<63, poly, poly), 1 << 63} // x^127, x^63
	}
	by128 := next(by64, poly)
	by256 := next(by128, x128)
	by384 := next(by256, x128)
	by512 := next(by256, x256)
	by1024 := next(by512, x512)
	by1536 := next(by1024, x512)
	by2048 := next(by1536, x512)

	form := func(p pair) pair { return p }
	if reflected {
		form = func(p pair) pair { return pair{bits.Reverse64(p[0]), bits.Reverse64(p[1])} }
	}
	c.by64, c.by128, c.by256, c.by384 = form(by64), form(by128), form(by256), form(by384)
	c.by512, c.by1024, c.by1536, c.by2048 = form(by512), form(by1024), form(by1536), form(by2048)

	mu := quotient(poly)
	if reflected {
		c.mu = bits.Reverse64(mu)<<1 | 1
		c.poly = bits.Reverse64(poly)<<1 | 1
		c.low[1] = -(poly & 1)
		c.x64 = bits.Reverse64(poly)
	} else {
		c.mu, c.poly, c.x64 = mu, poly, poly
	}
	for i := range c.swap {
		c.swap[i] = byte(i)
		if !reflected {
			c.swap[i] = byte(15 - i)
		}
	}
	return c
}

// mulBits multiplies two residues modulo x^64 + poly bit by bit. It is the
// definition of multiplication here: bit i is the coefficient of x^i.
func mulBits(a, b, poly uint64) uint64 {
	var r uint64
	for i := 63; i >= 0; i-- {
		r = r<<1 ^ poly&-(r>>63) // times x
		r ^= a & -(b >> i & 1)
	}
	return r
}

// quotient returns floor(x^128 / (x^64 + poly)) without its top term x^64, by
// long division.
func quotient(poly uint64) uint64 {
	q, r := uint64(0), poly // after the quotient's top term, x^64*poly remains
	for i := 63; i >= 0; i-- {
		top := r >> 63
		q |= top << i
		r = r<<1 ^ poly&-top
	}
	return q
}
