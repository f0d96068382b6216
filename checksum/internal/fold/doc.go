// Package fold carries CRC registers over data with carry-less multiplication,
// for any polynomial of degree 1 to 64, in either bit order.
//
// It follows Gopal, Ozturk, Guilford, Wolrich, Feghali, Dixon, Karakoyunlu:
// "Fast CRC Computation for Generic Polynomials Using PCLMULQDQ Instruction",
// Intel, 2009. The constants are worked out at run time, in a few microseconds
// per polynomial. The portable engine (generic.go) is the specification of the
// assembly.
//
// # Words
//
// All arithmetic is on polynomials over GF(2): + is XOR, * is the carry-less
// product. A bit string stands for a polynomial with its first bit as the
// highest coefficient. The first bit of a byte is its highest, or, when the
// data is reflected, its lowest.
//
//   - P: the CRC's polynomial, of degree w.
//   - P' = P*x^(64-w): P lifted to degree 64.
//   - register: the state of a CRC, 64 bits. Not reflected, bit i is the
//     coefficient of x^i, so a CRC of w bits is left-aligned. Reflected, bit i is
//     the coefficient of x^(63-i), so it is right-aligned. This is register form.
//   - memory order: a register as it is XORed onto data loaded little-endian.
//     The same as register form when reflected; its bytes reversed when not.
//   - accumulator: 128 bits with the same remainder as all data so far.
//   - rev(a): the 64 bits of a in reverse.
//
// # One kernel for every width
//
// The register R after a message M of n bits, started from I, is
//
//	R = (M*x^w + I*x^n) mod P
//
// For any A, (A mod P)*x^(64-w) = (A*x^(64-w)) mod P', because A = Q*P + B with
// B of degree below w gives A*x^(64-w) = Q*P' + B*x^(64-w), and the last term has
// degree below 64. So the lifted register R' = R*x^(64-w) is
//
//	R' = (M*x^64 + I'*x^n) mod P'
//
// which is the register of the CRC of width 64 with the polynomial P' and start value I' =
// I*x^(64-w), and its low 64-w coefficients stay zero. Left-aligned, R' is R; right-aligned and
// reflected it is R reflected. A kernel of width 64 serves all.
//
// For n >= 64 this also is R' = (M + I'*x^(n-64))*x^64 mod P': XOR the register
// onto the first 8 bytes, then start from zero.
//
// # Folding
//
// Let the accumulator be A = h*x^64 + l. To move it forward by D bits, that is
// to make room for D more bits of data behind it, it must become A*x^D:
//
//	A*x^D = h*x^(D+64) + l*x^D, which has the remainder of
//	        h*(x^(D+64) mod P') + l*(x^D mod P')
//
// Both products are below degree 127, so their sum is an accumulator again, to
// which the 128 bits of data at distance D are added. Several accumulators, each
// taking every k-th block (D = 128*k), keep the multiplier busy; in the end each
// is folded by its distance to the last one, and they are summed.
//
// Not reflected, a block is byte-swapped after loading. Then h is its high half,
// and the pair of constants is {x^D, x^(D+64)} mod P', for {low, high}.
//
// Reflected, the block is used as it is loaded. Bit i of 128 is the coefficient
// of x^(127-i), h is the low half. In the product of two 64-bit values with the
// coefficients of x^(63-i) and x^(63-j) in bits i and j, bit i+j is that of
// x^(126-i-j); read as 128 bits it would be that of x^(127-i-j). So the hardware
// multiplies reflected values with one x too many, and the constants carry one x
// less: {rev(x^(D+63)), rev(x^(D-1))}, again for {low, high}.
//
// A reflected kernel thus differs from the other in its constants and in not
// swapping. The shuffle that swaps hides behind the multiplications, so there is
// one loop, and for reflected data the shuffle is the identity.
//
// # 512-bit vectors
//
// There the shuffle does not hide (on an AMD EPYC of the Zen 4 family it cost 9 %
// of the speed). The bits of each byte are reversed instead, in the data and in
// the register, and everything is folded as if it were reflected.
//
// Proof. Bit b of byte a of a block (a, b from 0) is, not reflected, the
// coefficient of x^(127-8a-(7-b)). Reversing the byte takes it to bit 7-b of byte
// a, which in reflected data is the coefficient of x^(127-8a-(7-b)) too: the
// polynomial is the same, only its notation changed. So P' is the same, and the
// pairs are {rev(x^(D+63)), rev(x^(D-1))}. In the end the bits of each byte are
// reversed again and then the order of the bytes: that reverses all 128 bits, and
// bit i becomes the coefficient of x^i, as an accumulator that is not reflected
// has it. For reflected data both are the identity.
//
// A vector holds four accumulators. To be summed, each lane is folded by its
// distance to the last one, 384, 256 and 128 bits, all in one step: its pairs
// are one vector, in which the pair of the last lane is zero, as it is added
// unfolded.
//
// Two streams: data beyond the caches is read in two places, H bytes apart, H a
// multiple of 128. In the end the accumulators of the first stream lie H bytes
// before those of the second: they are folded by D = 8H, which only the length of
// the data tells, and added. What is left behind the second stream follows as ever.
//
// # The last bytes
//
// If r < 16 bytes are left, the accumulator followed by them is a string of
// 128+8r bits with the right remainder. Its first 8r bits, as a block with zeros
// in front, are folded by D = 128 onto its last 128.
//
// # The remainder
//
// R' = A*x^64 mod P'. A fold by D = 64 gives T = h*x^64 + l with the remainder
// of A*x^64 (its constants are {x^64, x^128}, reflected {x^127, x^63}). There
// remains h*x^64 mod P', after Barrett:
//
//	mu = floor(x^128 / P'), q = floor(h*mu / x^64), R' = T + q*P'
//
// Proof. x^128 = mu*P' + e with deg e < 64. Times h, divided by x^64*P':
//
//	h*x^64/P' = h*mu/x^64 + h*e/(x^64*P')
//
// deg h*e < 127 and deg x^64*P' = 128, so the last term has negative powers of x
// only: the polynomial parts of the other two are equal. Hence q is the quotient
// of h*x^64 by P', h*x^64 + q*P' is its remainder, and l has degree below 64 as
// it is. The terms from x^64 up cancel, so only the low half is computed.
//
// mu and P' have 65 coefficients each; what does not fit is added by hand:
//
//   - Not reflected, the top terms are left out of mu and P'. For mu that takes
//     h*x^64 from the product, hence h from q. For P' it changes only the terms
//     from x^64 up.
//   - Reflected, rev(mu)<<1|1 has the coefficient of x^(64-i) in bit i, so the top
//     term in bit 0, and lacks that of x^0. This also uses up the x that the
//     hardware adds: the 64 bits with the powers from x^64 up are the low half of
//     the product, the others the high half. The lost term adds to powers below 64
//     only. rev(P')<<1 is the same without the top term, which again changes only
//     the terms from x^64 up. The lost term of P' is q itself, if P' has a term
//     x^0 (the mask low says so).
//
// # Products
//
// The product of two registers has degree below 127: it is a T as above, and is
// reduced like it. Reflected, it first moves by one bit, to take out the x that
// the hardware adds. Shift and Fill (combine.go) are made of products.
//
// # Fewer than 16 bytes
//
// Up to 64 bits of data m push as many bits u out of the register. What is left
// of the register moves up, and (u+m)*x^64 mod P' is added to it: one
// multiplication by x^64 and one reduction.
package fold
