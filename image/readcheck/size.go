package readcheck

import (
	"math/bits"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// nearSize is how many bytes off a round size a raw image may be and still
// look as if bytes had been lost or doubled on the way.
const nearSize = 2

// checkSize judges the size of a raw image without a map: memories have round
// sizes, a few times a power of two.
func (x *examiner) checkSize() {
	if len(x.c.spans) != 1 {
		return
	}
	n := len(x.c.spans[0].data)
	if n < 4096 {
		return
	}
	grain := 1 << (bits.Len(uint(n)) - 4) // memories are 8 to 15 times this
	round := (n + grain/2) / grain * grain
	all := []image.Range{x.c.spans[0].rng(0, n)}
	switch off := n - round; {
	case off != 0 && -nearSize <= off && off <= nearSize:
		x.found(CodeSizeNear, evidence.Caution, all,
			"the image has %d bytes, %+d from the round size of %d; bytes were lost or doubled during the read, so read it again", n, off, round)
	case n%1024 != 0:
		x.found(CodeSizeOdd, evidence.Note, all,
			"the image has %d bytes, no whole number of kilobytes as memories have; a map with the size of a full read tells whether it stopped early", n)
	}
}

// checkBlank reports an image without content.
func (x *examiner) checkBlank() {
	if x.c.size == 0 {
		x.found(CodeBlank, evidence.Fault, nil, "the image holds no byte; read it again")
		return
	}
	for v, n := range x.c.hist {
		if n == uint64(x.c.size) {
			x.found(CodeBlank, evidence.Fault, x.all(),
				"all %d bytes are 0x%02X: the memory is erased, or nothing was read; check supply and connection and read it again", x.c.size, v)
		}
	}
}

func (x *examiner) all() []image.Range {
	var all []image.Range
	for _, s := range x.c.spans {
		all = append(all, s.rng(0, len(s.data)))
	}
	return all
}
