package readcheck

import (
	"cmp"
	"encoding/binary"
	"math/bits"
	"runtime"
	"slices"
	"sync"

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
// its bytes and nine bytes for each unit of 256. Checks read it side by side.
type content struct {
	spans []*span
	size  int

	counting sync.Once
	counted  histogram
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
		inParts(n, func(from, to int) {
			for u := from; u < to; u++ {
				b := s.unit(u)
				s.hashes[u] = hashUnit(b)
				s.classes[u] = rich.classify(b)
			}
		})
	}
	return c
}

// spansIn returns the spans that may hold bytes of r.
func (c *content) spansIn(r image.Range) []*span {
	from, _ := slices.BinarySearchFunc(c.spans, r.Start, func(s *span, start uint64) int {
		return cmp.Compare(s.start+uint64(max(len(s.data), 1)-1), start)
	})
	to := from
	for to < len(c.spans) && c.spans[to].start <= r.Last() {
		to++
	}
	return c.spans[from:to]
}

// inParts calls do for parts of 0 to n, as many at once as the machine does.
func inParts(n int, do func(from, to int)) {
	const least = 1024 // fewer are not worth starting something for
	parts := max(min(runtime.GOMAXPROCS(0), n/least), 1)
	var wg sync.WaitGroup
	for p := range parts {
		wg.Go(func() { do(n/parts*p+min(n%parts, p), n/parts*(p+1)+min(n%parts, p+1)) })
	}
	wg.Wait()
}

// only returns the one value of every byte, if there is one.
func (c *content) only() (v byte, ok bool) {
	if c.size == 0 {
		return 0, false
	}
	for _, s := range c.spans {
		if len(s.data) > 0 {
			v = s.data[0]
			break
		}
	}
	for _, s := range c.spans {
		if !isFill(s.data) || len(s.data) > 0 && s.data[0] != v {
			return 0, false
		}
	}
	return v, true
}

// histogram counts how often each value stands in the image, when it is first
// asked for: healthy images hardly need it.
func (c *content) histogram() *histogram {
	c.counting.Do(func() {
		for _, s := range c.spans {
			c.counted.add(s.data)
		}
	})
	return &c.counted
}

// classify tells what the unit b holds.
func (r richness) classify(b []byte) class {
	if isFill(b) {
		return classFill
	}
	if r.enoughValues(b) && r.levelled(b) {
		return classRich
	}
	return classPlain
}

// enoughValues reports whether b holds as many different values as a rich unit.
func (r richness) enoughValues(b []byte) bool {
	var have [4]uint64
	values := 0
	for _, v := range b {
		if bit := uint64(1) << (v & 63); have[v>>6]&bit == 0 {
			have[v>>6] |= bit
			if values++; values >= r.values {
				return true
			}
		}
	}
	return false
}

// levelled reports whether no value fills more of the unit b than it may. A
// value that fills more than top bytes stands at both ends of more than top-128
// of the 128 pairs of bytes that lie half a unit apart: so few equal pairs
// spare the counting.
func (r richness) levelled(b []byte) bool {
	const half = unitSize / 2
	equal := 0
	for i := 0; i < half; i += 8 {
		equal += zeroBytes(binary.LittleEndian.Uint64(b[i:]) ^ binary.LittleEndian.Uint64(b[i+half:]))
	}
	if equal <= r.top-half {
		return true
	}
	var h [256]uint16
	for _, v := range b {
		if h[v]++; int(h[v]) > r.top {
			return false
		}
	}
	return true
}

// zeroBytes counts the bytes of w that are 0.
func zeroBytes(w uint64) int {
	const low = 0x7F7F7F7F7F7F7F7F
	return 8 - bits.OnesCount64(((w&low+low)|w)&^low)
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
