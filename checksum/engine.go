package checksum

// engine advances the register of a CRC. It is shared by algorithms that
// differ only in start value, output reflection and final XOR, and safe for
// concurrent use.
//
// An engine keeps the register in a form of its own: load takes the register
// in polynomial form to it and store takes it back.
type engine interface {
	load(poly u128) u128
	store(reg u128) u128
	update(reg u128, data []byte) u128
}

func newEngine(width int, poly u128, reflected bool) engine {
	if width > 64 {
		return newWideEngine(width, poly, reflected)
	}
	return newEngine64(width, poly.lo, reflected)
}
