package checksum

// A CRC is linear: over n bytes the register r becomes r*x^(8n) mod P, plus
// what those bytes give from a register of zeros. The product is what n zero
// bytes make of r. Everything here follows from that.

func (c *crc) combine(sumA, sumB Value, lenB uint64) (Value, error) {
	// B's register started as Init, in AB it started as A's register.
	change := c.register(sumA).xor(c.start)
	return c.value(c.engine.fill(change, 0, lenB).xor(c.register(sumB))), nil
}

func (c *crc) appendRun(sum Value, b byte, n uint64) (Value, error) {
	return c.value(c.engine.fill(c.register(sum), b, n)), nil
}

func (c *crc) patched(old Value, total, offset uint64, before, after []byte) (Value, error) {
	return c.patchedBefore(old, total-offset-uint64(len(before)), before, after), nil
}

// patchedBefore is patched for a patch with rest bytes of message after it.
func (c *crc) patchedBefore(old Value, rest uint64, before, after []byte) Value {
	diff := c.engine.update(u128{}, before).xor(c.engine.update(u128{}, after))
	return c.value(c.register(old).xor(c.engine.fill(diff, 0, rest)))
}
