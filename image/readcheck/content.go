package readcheck

import (
	"encoding/binary"

	"example.com/calproof/image"
)

// unitSize is the number of bytes that the checks classify together. It is a
// power of two, so that the address lines below unitLines move inside a unit
// and those from unitLines on choose the unit.
const (
	unitLines = 8
	unitSize  = 1 << unitLines
)

// class says what a unit holds.
type class uint8

const (
	classFill  class = iota // one byte value from end to end
	classPlain              // more than one value, too few to mean anything when it shows up twice
	classRich               // content whose repetition means something
)

// A unit is rich with at least richValues different byte values of which none
// fills more than richTop of its 256 bytes, unless a map says otherwise.
const (
	richValues = 12
	richTop    = 192
)

// richness says which units are rich.
type richness struct{ values, top int }

// span is a stretch of bytes without a gap.
type span struct {
	start uint64
	data  []byte

	// Per whole unit of the span; unit 0 starts at the first address from
	// start on that is a multiple of unitSize.
	skip    int // bytes before unit 0
	hashes  []uint64
	classes []class
}

func (s *span) units() int { return len(s.hashes) }

// unit returns the bytes of unit u.
func (s *span) unit(u int) []byte {
	at := s.skip + u*unitSize
	return s.data[at : at+unitSize]
}

// unitAddr returns the address of unit u. Its low unitLines bits are zero.
func (s *span) unitAddr(u int) uint64 { return s.start + uint64(s.skip+u*unitSize) }

func (s *span) rng(from, to int) image.Range {
	return image.Range{Start: s.start + uint64(from), Size: uint64(to - from)}
}

// content is an image in the form in which the checks work on it: one copy of
// its bytes and ten bytes for each unit of 256.
type content struct {
	spans []*span
	size  int
	hist  histogram // of all bytes
	rich  int       // units
}

// maxContent bounds the bytes that are held in memory. It is far above any
// controller's memory and keeps a sparse file of many gigabytes from taking
// the machine down.
const maxContent = 2 << 30

// newContent classifies the bytes of spans.
func newContent(spans []*span, rich richness) *content {
	c := &content{spans: spans}
	for _, s := range spans {
		c.size += len(s.data)
		s.skip = min(int(-s.start&(unitSize-1)), len(s.data))
		n := (len(s.data) - s.skip) / unitSize
		s.hashes = make([]uint64, n)
		s.classes = make([]class, n)
		c.hist.add(s.data[:s.skip])
		c.hist.add(s.data[s.skip+n*unitSize:])
		for u := range n {
			b := s.unit(u)
			s.hashes[u] = hashUnit(b)
			s.classes[u] = c.classify(b, rich)
			if s.classes[u] == classRich {
				c.rich++
			}
		}
	}
	return c
}

// classify tells what the unit b holds and counts its bytes.
func (c *content) classify(b []byte, rich richness) class {
	if isFill(b) {
		c.hist[b[0]] += uint64(len(b))
		return classFill
	}
	var h [256]uint16
	for _, v := range b {
		h[v]++
	}
	values, top := 0, uint16(0)
	for v, n := range h {
		if n == 0 {
			continue
		}
		values++
		top = max(top, n)
		c.hist[v] += uint64(n)
	}
	if values >= rich.values && int(top) <= rich.top {
		return classRich
	}
	return classPlain
}

// isFill reports whether b is one value from end to end. It is true for an
// empty b.
func isFill(b []byte) bool {
	if len(b) == 0 {
		return true
	}
	want := uint64(b[0]) * 0x0101010101010101
	i := 0
	for ; i+8 <= len(b); i += 8 {
		if binary.LittleEndian.Uint64(b[i:]) != want {
			return false
		}
	}
	for ; i < len(b); i++ {
		if b[i] != b[0] {
			return false
		}
	}
	return true
}

// hashUnit is a 64-bit hash for telling units apart: words mixed by multiply
// and shift in two lanes, each step of which loses nothing.
func hashUnit(b []byte) uint64 {
	const m1, m2 = 0x9E3779B185EBCA87, 0xC2B2AE3D27D4EB4F // odd, bits well spread
	h1, h2 := uint64(m1), uint64(m2)
	for i := 0; i+16 <= len(b); i += 16 {
		h1 = (h1 ^ binary.LittleEndian.Uint64(b[i:])) * m1
		h2 = (h2 ^ binary.LittleEndian.Uint64(b[i+8:])) * m2
		h1 ^= h1 >> 29
		h2 ^= h2 >> 31
	}
	h := (h1 ^ (h2<<27 | h2>>37)) * m1
	return h ^ h>>32
}
