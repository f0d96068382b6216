package fold

import "math/bits"

// pair holds the two multipliers that move a 128-bit accumulator forward:
// pair[0] for its low half, pair[1] for its high half.
type pair [2]uint64

// constants is what the assembly knows of a polynomial. The kernels reach its
// fields by name through go_asm.h, so order and size matter only where a
// comment says so. See the package documentation for the meaning of each.
type constants struct {
	lanes     uint8 // how many blocks of 128 bits the kernel may put in a vector: 1, 2 or 4
	reflected bool

	by1024, by512, by384, by256, by128 pair
	by64                               pair // appends the 64 zero bits that a register has seen beyond its message

	mu, poly uint64    // Barrett: floor(x^128/P') and P', in the form the kernel wants
	low      [2]uint64 // mask for the one coefficient of P' that does not fit the reflected poly

	swap [16]byte // order in which the bytes of a block become coefficients

	// For four lanes, where all data is made reflected.
	bitOrder                          uint64 // 8x8 bit matrix that does so to a byte
	wideBy2048, wideBy1024, wideBy512 pair

	// Loaded as one vector: lane i of an accumulator lies 384-128i bits before
	// the last one, and that one stays where it is.
	wideBy384, wideBy256, wideBy128 pair
	//lint:ignore U1000 the assembly reads it as the last lane of that vector
	wideBy0 pair

	// For two streams, see Poly.updateStreams.
	half       int
	wideByHalf pair

	x64 uint64 // x^64 mod P', in register form
}

// Rows of bit matrices for GF2P8AFFINEQB, the row of bit 7 in the lowest byte.
const (
	sameBits    = 0x0102040810204080
	reverseBits = 0x8040201008040201
)

func makeConstants(poly uint64, reflected bool) constants {
	c := constants{lanes: 1, reflected: reflected, bitOrder: reverseBits, mu: quotient(poly), poly: poly, x64: poly}
	for i := range c.swap {
		c.swap[i] = byte(15 - i)
	}

	x64 := poly
	x128 := mulBits(x64, x64, poly)
	x256 := mulBits(x128, x128, poly)
	x512 := mulBits(x256, x256, poly)
	x1024 := mulBits(x512, x512, poly)
	further := func(from pair, power uint64) pair {
		return pair{mulBits(from[0], power, poly), mulBits(from[1], power, poly)}
	}

	// The pairs of reflected data: rev(x^(D+63)), rev(x^(D-1)).
	rev := func(p pair) pair { return pair{bits.Reverse64(p[0]), bits.Reverse64(p[1])} }
	by64 := pair{mulBits(1<<63, x64, poly), 1 << 63}
	by128 := further(by64, x64)
	by256 := further(by128, x128)
	by384 := further(by256, x128)
	by512 := further(by256, x256)
	by1024 := further(by512, x512)
	by2048 := further(by1024, x1024)
	c.wideBy128, c.wideBy256, c.wideBy384 = rev(by128), rev(by256), rev(by384)
	c.wideBy512, c.wideBy1024, c.wideBy2048 = rev(by512), rev(by1024), rev(by2048)

	if reflected {
		c.by64, c.by128, c.by256, c.by384 = rev(by64), c.wideBy128, c.wideBy256, c.wideBy384
		c.by512, c.by1024 = c.wideBy512, c.wideBy1024
		c.mu = bits.Reverse64(c.mu)<<1 | 1
		c.poly = bits.Reverse64(poly) << 1
		c.low[1] = -(poly & 1)
		c.x64 = bits.Reverse64(x64)
		c.bitOrder = sameBits
		for i := range c.swap {
			c.swap[i] = byte(i)
		}
		return c
	}

	// The pairs of other data: x^D, x^(D+64).
	c.by64 = pair{x64, x128}
	c.by128 = further(c.by64, x64)
	c.by256 = further(c.by128, x128)
	c.by384 = further(c.by256, x128)
	c.by512 = further(c.by256, x256)
	c.by1024 = further(c.by512, x512)
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

// power returns x^n.
func power(n, poly uint64) uint64 {
	r := uint64(1)
	for i := bits.Len64(n) - 1; i >= 0; i-- {
		r = mulBits(r, r, poly)
		if n>>i&1 != 0 {
			r = r<<1 ^ poly&-(r>>63)
		}
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
