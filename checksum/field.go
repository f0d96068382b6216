package checksum

// field is the ring of polynomials over GF(2) modulo a polynomial of degree
// width, given without its top term. Bit i is the coefficient of x^i.
type field struct {
	width int
	poly  u128
}

// double returns a*x.
func (f field) double(a u128) u128 {
	carry := a.bit(f.width - 1)
	a = a.shl(1).and(mask128(f.width))
	if carry != 0 {
		a = a.xor(f.poly)
	}
	return a
}

// mul returns a*b.
func (f field) mul(a, b u128) u128 {
	var r u128
	for i := f.width - 1; i >= 0; i-- {
		r = f.double(r)
		if b.bit(i) != 0 {
			r = r.xor(a)
		}
	}
	return r
}
