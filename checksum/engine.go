package checksum

import (
	"math/bits"
	"sync"

	"example.com/calproof/checksum/internal/fold"
)

// engine advances the register of a CRC. It is shared by algorithms that
// differ only in start value, output reflection and final XOR, and safe for
// concurrent use. What it needs of tables or constants it makes at first use
// and keeps, at most 32 KiB.
//
// An engine holds the register in a form of its own: load takes the register
// in polynomial form (bit i is the coefficient of x^i) to it, store takes it
// back. Both are linear, so registers of one engine are added by XOR.
type engine interface {
	load(poly u128) u128
	store(reg u128) u128
	update(reg u128, data []byte) u128
	fill(reg u128, b byte, n uint64) u128 // update over n bytes equal to b, in O(log n)
}

func newEngine(width int, poly u128, reflected bool) engine {
	if width > 64 {
		return newWideEngine(width, poly, reflected)
	}
	return &foldEngine{width: width, poly: poly.lo, reflected: reflected, newKernel: fold.New}
}

// foldEngine serves every CRC of up to 64 bits. Package fold explains how one
// kernel does: the register stands at the top of 64 bits, or at the bottom if
// reflected.
type foldEngine struct {
	width     int
	poly      uint64 // without its top term, bit i the coefficient of x^i
	reflected bool

	newKernel func(poly uint64, reflected bool) *fold.Poly // tests choose a slower one
	once      sync.Once                                    // makes kernel at first use
	kernel    *fold.Poly
}

func (e *foldEngine) load(poly u128) u128 {
	r := poly.lo << (64 - e.width)
	if e.reflected {
		r = bits.Reverse64(r)
	}
	return u128{lo: r}
}

func (e *foldEngine) store(reg u128) u128 {
	if e.reflected {
		reg.lo = bits.Reverse64(reg.lo)
	}
	return u128{lo: reg.lo >> (64 - e.width)}
}

func (e *foldEngine) update(reg u128, data []byte) u128 {
	e.once.Do(e.makeKernel)
	return u128{lo: e.kernel.Update(reg.lo, data)}
}

func (e *foldEngine) fill(reg u128, b byte, n uint64) u128 {
	e.once.Do(e.makeKernel)
	return u128{lo: e.kernel.Fill(reg.lo, b, n)}
}

func (e *foldEngine) makeKernel() {
	e.kernel = e.newKernel(e.poly<<(64-e.width), e.reflected)
}
