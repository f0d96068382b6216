package checksum

import (
	"math/bits"
	"sync/atomic"

	"example.com/calproof/checksum/internal/fold"
)

// engine advances the register of a CRC. It is shared by algorithms that
// differ only in start value, output reflection and final XOR, and safe for
// concurrent use. What it needs of tables or constants it makes at first use
// and keeps, at most 32 KiB.
//
// The register is as wide as the CRC and stands at the top of 64 bits, or at
// the bottom if the input is reflected; package fold explains how one kernel
// then serves all widths. CRCs wider than 64 bits have 128 instead, see
// engine_wide.go.
//
// load takes a number of the width of the CRC to a register and store takes it
// back: bit i of the number is the coefficient of x^i, or if reversed that of
// x^(width-1-i). Both are linear, so registers of one engine are added by XOR.
type engine struct {
	width     int
	poly      u128 // without its top term, bit i the coefficient of x^i
	reflected bool

	newKernel func(poly uint64, reflected bool) *fold.Poly // tests choose a slower one
	kernel    atomic.Pointer[fold.Poly]                    // up to 64 bits
	table     atomic.Pointer[[256]u128]                    // above
}

func newEngine(width int, poly u128, reflected bool) *engine {
	return &engine{width: width, poly: poly, reflected: reflected, newKernel: fold.New}
}

func (e *engine) load(number u128, reversed bool) u128 {
	if e.width > 64 {
		return e.loadWide(number, reversed)
	}
	r := number.lo
	if !reversed {
		r <<= 64 - e.width
	}
	if reversed != e.reflected {
		r = bits.Reverse64(r)
	}
	return u128{lo: r}
}

func (e *engine) store(reg u128, reversed bool) u128 {
	if e.width > 64 {
		return e.storeWide(reg, reversed)
	}
	r := reg.lo
	if reversed != e.reflected {
		r = bits.Reverse64(r)
	}
	if !reversed {
		r >>= 64 - e.width
	}
	return u128{lo: r}
}

func (e *engine) update(reg u128, data []byte) u128 {
	if e.width > 64 {
		return e.updateWide(reg, data)
	}
	return u128{lo: e.loadKernel().Update(reg.lo, data)}
}

// fill is update over n bytes equal to b, in O(log n).
func (e *engine) fill(reg u128, b byte, n uint64) u128 {
	if e.width > 64 {
		return e.fillWide(reg, b, n)
	}
	return u128{lo: e.loadKernel().Fill(reg.lo, b, n)}
}

func (e *engine) loadKernel() *fold.Poly {
	k := e.kernel.Load()
	if k == nil {
		// Two goroutines may both come here; their kernels are equal.
		k = e.newKernel(e.poly.lo<<(64-e.width), e.reflected)
		e.kernel.Store(k)
	}
	return k
}
