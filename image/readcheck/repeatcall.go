package readcheck

import (
	"bytes"
	"encoding/binary"
	"math/bits"
	"slices"
)

// Most processors have calls that count from where they stand. The same call in
// two copies of a block leads to two places, one block apart. Code that really
// stands twice has other distances in its second copy, so that both lead where
// they should. In a block that was delivered again only the call of the first
// copy leads to the beginning of a function, which others call too.

// callForm is one way in which a processor calls, by the bits that never change
// in the first 32 of the instruction.
type callForm struct {
	cpu        string // forms of one processor count together
	step       int    // instructions stand on multiples of it, a power of two
	big        bool   // byte order of the bits
	mask, code uint32

	// distance returns how far the call leads, from the first byte of the
	// instruction. word is the first 32 bits, b at least callRoom bytes.
	distance func(word uint32, b []byte) int
}

const (
	callRoom  = 8  // bytes that must follow to look at a call
	mostCalls = 16 // calls of a block that are followed
)

// callForms lists the calls of common processors, by their makers' instruction
// set manuals.
var callForms = []callForm{
	{"x86", 1, false, 0xFF, callCode, func(_ uint32, b []byte) int { // CALL rel32
		return callSize + int(int32(binary.LittleEndian.Uint32(b[1:])))
	}},
	{"ARM", 4, false, 0xFF000000, 0xEB000000, func(w uint32, _ []byte) int { return 8 + 4*signed(w, 24) }}, // BL
	{"Thumb", 2, false, 0xD000F800, 0xD000F000, thumbDistance},                                             // BL
	{"ARM64", 4, false, 0xFC000000, 0x94000000, func(w uint32, _ []byte) int { return 4 * signed(w, 26) }}, // BL
	{"PowerPC", 4, true, 0xFC000003, 0x48000001, func(w uint32, _ []byte) int { return signed(w&^3, 26) }}, // bl
	{"SPARC", 4, true, 0xC0000000, 0x40000000, func(w uint32, _ []byte) int { return 4 * signed(w, 30) }},  // CALL
	{"RISC-V", 2, false, 0xFFF, 0x0EF, func(w uint32, _ []byte) int { // JAL ra
		return signed(w>>31<<20|w>>12&0xFF<<12|w>>20&1<<11|w>>21&0x3FF<<1, 21)
	}},
	{"RISC-V", 2, false, 0xFFF, 0x097, auipcDistance}, // AUIPC ra, JALR ra
	{"68000", 2, true, 0xFFFF0000, 0x61FF0000, func(_ uint32, b []byte) int { // BSR.L
		return 2 + int(int32(binary.BigEndian.Uint32(b[2:])))
	}},
	{"68000", 2, true, 0xFFFF0000, 0x61000000, func(w uint32, _ []byte) int { return 2 + signed(w, 16) }}, // BSR.W
	{"S/390", 2, true, 0xFF0F0000, 0xC0050000, func(_ uint32, b []byte) int { // BRASL
		return 2 * int(int32(binary.BigEndian.Uint32(b[2:])))
	}},
}

// signed returns the lowest n bits of v as a signed number.
func signed(v uint32, n int) int { return int(int32(v<<(32-n)) >> (32 - n)) }

// thumbDistance decodes a BL of two halfwords, the first in the low half of w.
func thumbDistance(w uint32, _ []byte) int {
	sign := w >> 10 & 1
	i1, i2 := ^(w>>29^sign)&1, ^(w>>27^sign)&1
	return 4 + signed(sign<<24|i1<<23|i2<<22|w&0x3FF<<12|w>>16&0x7FF<<1, 25)
}

// auipcDistance decodes AUIPC with the JALR that must follow it; 0 without.
func auipcDistance(w uint32, b []byte) int {
	next := binary.LittleEndian.Uint32(b[4:])
	if next&0xFFFFF != 0x080E7 {
		return 0
	}
	return int(int32(w&^0xFFF)) + signed(next>>20, 12)
}

// each calls do for every call of the form from from to to (both in s) that
// leads to another place of s.
func (f *callForm) each(s *span, from, to int, do func(at, target int)) {
	data := s.data
	to = min(to, len(data)-callRoom+1)
	for at := from + int(-(s.start+uint64(from))&uint64(f.step-1)); at < to; at += f.step {
		if f.step == 1 { // the first byte never changes: much faster
			next := bytes.IndexByte(data[at:to], byte(f.code))
			if next < 0 {
				return
			}
			at += next
		}
		word := binary.LittleEndian.Uint32(data[at:])
		if f.big {
			word = bits.ReverseBytes32(word)
		}
		if word&f.mask != f.code {
			continue
		}
		if target := at + f.distance(word, data[at:]); target != at && target >= 0 && target < len(data) {
			do(at, target)
		}
	}
}

// place is where a call leads.
type place struct {
	span *span
	cpu  string
	at   int
}

// wantedPlace is a place of which a repetition wants to know whether calls
// outside it lead there.
type wantedPlace struct {
	of    *repetition
	known bool
}

// calledFromFirst tells of which repetitions a call in the first copy leads to
// a place that is also called from elsewhere, while the same call in the second
// copy does not.
func (c *content) calledFromFirst(list []*repetition) []bool {
	type target struct{ first, second *wantedPlace }
	calls := make([][]target, len(list))
	wanted := map[place][]*wantedPlace{}
	want := func(of *repetition, cpu string, at int) *wantedPlace {
		p, w := place{of.span, cpu, at}, &wantedPlace{of: of}
		wanted[p] = append(wanted[p], w)
		return w
	}
	needed := map[string]bool{}
	for i, r := range list {
		for k := range callForms {
			f := &callForms[k]
			f.each(r.span, r.first, r.first+r.period, func(_, to int) {
				if len(calls[i]) < mostCalls && (to < r.first || to >= r.last()) {
					needed[f.cpu] = true
					calls[i] = append(calls[i], target{want(r, f.cpu, to), want(r, f.cpu, to+r.period)})
				}
			})
		}
	}
	for k := range callForms {
		f := &callForms[k]
		if !needed[f.cpu] {
			continue
		}
		for _, s := range c.spans {
			f.each(s, 0, len(s.data), func(at, to int) {
				for _, w := range wanted[place{s, f.cpu, to}] {
					if !w.known && (at < w.of.first || at >= w.of.last()) {
						w.known = !inExtraCopy(list, s, at)
					}
				}
			})
		}
	}
	out := make([]bool, len(list))
	for i, targets := range calls {
		for _, t := range targets {
			out[i] = out[i] || t.first.known && !t.second.known
		}
	}
	return out
}

// inExtraCopy reports whether at lies in a copy behind the first.
func inExtraCopy(list []*repetition, s *span, at int) bool {
	return slices.ContainsFunc(list, func(r *repetition) bool {
		return r.span == s && at >= r.first+r.period && at < r.last()
	})
}
