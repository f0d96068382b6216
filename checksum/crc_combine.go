package checksum

import "math/bits"

// A CRC is linear: feeding n bytes takes the register r to r*x^(8n) mod P plus
// what those bytes give from a register of zeros. Everything in this file
// follows from that, with arithmetic on the register in polynomial form.

// field is the ring of polynomials over GF(2) modulo a polynomial of degree
// width, given without its top term.
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

// power returns x^n.
func (f field) power(n uint64) u128 {
	r := u128{lo: 1}
	for i := bits.Len64(n) - 1; i >= 0; i-- {
		r = f.mul(r, r)
		if n>>i&1 != 0 {
			r = f.double(r)
		}
	}
	return r
}

// power8 returns x^(8n), by which n bytes multiply the register.
func (f field) power8(n uint64) u128 {
	r := f.power(n)
	for range 3 {
		r = f.mul(r, r)
	}
	return r
}

func (c *crc) combine(sumA, sumB Value, lenB uint64) (Value, error) {
	// B's register started as Init, in AB it started as A's register.
	change := c.toPoly(sumA).xor(c.params.Init.low)
	return c.fromPoly(c.field.mul(change, c.field.power8(lenB)).xor(c.toPoly(sumB))), nil
}

func (c *crc) appendRun(sum Value, b byte, n uint64) (Value, error) {
	one := c.feedZero([]byte{b})
	byteX := c.field.power8(1)
	// run is what k bytes give from a register of zeros, shift is x^(8k);
	// k grows from 0 to n, bit by bit.
	run, shift := u128{}, u128{lo: 1}
	for i := bits.Len64(n) - 1; i >= 0; i-- {
		run = run.xor(c.field.mul(run, shift))
		shift = c.field.mul(shift, shift)
		if n>>i&1 != 0 {
			run = c.field.mul(run, byteX).xor(one)
			shift = c.field.mul(shift, byteX)
		}
	}
	return c.fromPoly(c.field.mul(c.toPoly(sum), shift).xor(run)), nil
}

func (c *crc) patched(old Value, total, offset uint64, before, after []byte) (Value, error) {
	return c.patchedBefore(old, total-offset-uint64(len(before)), before, after), nil
}

// patchedBefore is patched for a patch with rest bytes of message after it.
func (c *crc) patchedBefore(old Value, rest uint64, before, after []byte) Value {
	diff := c.feedZero(before).xor(c.feedZero(after))
	return c.fromPoly(c.toPoly(old).xor(c.field.mul(diff, c.field.power8(rest))))
}

// feedZero returns the register, in polynomial form, after data from a
// register of zeros.
func (c *crc) feedZero(data []byte) u128 {
	return c.engine.store(c.engine.update(u128{}, data))
}
