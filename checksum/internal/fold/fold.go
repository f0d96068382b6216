package fold

import (
	"encoding/binary"
	"fmt"
	"math/bits"
	"slices"
	"strings"
	"sync/atomic"
)

// Names of the engines.
const (
	CLMul512 = "clmul512" // amd64: VPCLMULQDQ and GFNI on vectors of 512 bits (AVX-512)
	CLMul256 = "clmul256" // amd64: VPCLMULQDQ on vectors of 256 bits (AVX2)
	CLMul128 = "clmul128" // amd64: PCLMULQDQ and SSSE3; arm64: PMULL
	Generic  = "generic"  // tables, any processor
)

var available = append(assemblyEngines(), Generic)

// Engines names the engines this machine can run, fastest first.
func Engines() []string { return slices.Clone(available) }

// A Poly carries registers over data for one polynomial and one bit order. It
// never changes and may be used by several goroutines.
type Poly struct {
	constants constants
	poly      uint64
	generic   bool
	tables    atomic.Pointer[tables] // of the portable engine, made at first use: 32 KiB
}

// New returns the Poly of P' = x^64 + poly, with the fastest engine. The bits
// of poly are MSB first whatever the bit order of the data; a polynomial P of
// degree w < 64 is lifted first: poly = P without its top term, << (64-w). It
// takes a few microseconds.
func New(poly uint64, reflected bool) *Poly {
	return newPoly(poly, reflected, available[0])
}

// NewEngine is New with an engine of choice, for tests and benchmarks.
func NewEngine(poly uint64, reflected bool, engine string) (*Poly, error) {
	if !slices.Contains(available, engine) {
		return nil, fmt.Errorf("fold: no engine %q here; use one of %s", engine, strings.Join(available, ", "))
	}
	return newPoly(poly, reflected, engine), nil
}

func newPoly(poly uint64, reflected bool, engine string) *Poly {
	p := &Poly{constants: makeConstants(poly, reflected), poly: poly}
	switch engine {
	case CLMul512:
		p.constants.lanes = 4
	case CLMul256:
		p.constants.lanes = 2
	case Generic:
		p.generic = true
	}
	return p
}

// Update returns the register reg carried over data. No bits are inverted on
// the way in or out.
func (p *Poly) Update(reg uint64, data []byte) uint64 {
	if p.generic {
		return p.memoryOrder(p.loadTables().update(p.memoryOrder(reg), data))
	}
	if p.constants.lanes == 4 && len(data) >= beyondCaches {
		return p.updateStreams(reg, data)
	}
	if len(data) >= 16 {
		return update(&p.constants, p.memoryOrder(reg), data)
	}
	return p.short(reg, data)
}

// beyondCaches is a length, in bytes, at which data rather comes from memory.
const beyondCaches = 16 << 20

// updateStreams carries reg over at least 256 bytes with the 512-bit kernel,
// reading both halves of the data side by side. The processor then fetches ahead
// in two places: on an AMD EPYC of the Zen 4 family that got a tenth more out of
// memory. In caches it is no faster. The halves are summed as accumulators at
// any other distance are, only is this one not known before.
func (p *Poly) updateStreams(reg uint64, data []byte) uint64 {
	c := p.constants
	c.half = len(data) / 256 * 128
	d := 8 * uint64(c.half)
	c.wideByHalf = pair{bits.Reverse64(power(d+63, p.poly)), bits.Reverse64(power(d-1, p.poly))}
	return update(&c, p.memoryOrder(reg), data)
}

// short carries reg over fewer than 16 bytes, up to 8 at a time: the n bytes
// that leave the register meet the n bytes of data, and their sum h returns as
// h*x^64 mod P'. A shift by 64 gives 0 in Go, as n = 8 needs it.
func (p *Poly) short(reg uint64, data []byte) uint64 {
	c := &p.constants
	for len(data) > 0 {
		n := min(len(data), 8)
		if c.reflected {
			h := (reg ^ littleEndian(data[:n])) << (64 - 8*n)
			reg = reg>>(8*n) ^ mul(c, h, c.x64)
		} else {
			h := reg>>(64-8*n) ^ bigEndian(data[:n])
			reg = reg<<(8*n) ^ mul(c, h, c.x64)
		}
		data = data[n:]
	}
	return reg
}

// memoryOrder converts a register to the form in which it can be XORed onto
// data loaded little-endian, and back.
func (p *Poly) memoryOrder(reg uint64) uint64 {
	if p.constants.reflected {
		return reg
	}
	return bits.ReverseBytes64(reg)
}

func (p *Poly) loadTables() *tables {
	t := p.tables.Load()
	if t == nil {
		// Two goroutines may both come here; their tables are equal.
		t = makeTables(p.poly, p.constants.reflected)
		p.tables.Store(t)
	}
	return t
}

// littleEndian reads 1 to 8 bytes.
func littleEndian(b []byte) uint64 {
	if len(b) == 8 {
		return binary.LittleEndian.Uint64(b)
	}
	var v uint64
	for i, x := range b {
		v |= uint64(x) << (8 * i)
	}
	return v
}

// bigEndian reads 1 to 8 bytes.
func bigEndian(b []byte) uint64 {
	if len(b) == 8 {
		return binary.BigEndian.Uint64(b)
	}
	var v uint64
	for _, x := range b {
		v = v<<8 | uint64(x)
	}
	return v
}
