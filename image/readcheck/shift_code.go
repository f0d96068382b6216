package readcheck

import "encoding/binary"

// codeRef is a reference by distance: an instruction at one place, and what it
// refers to.
type codeRef struct {
	at, to int32
	kind   refKind
}

// places is a set of offsets, a bit for each.
type places []uint64

func newPlaces(size int) places { return make(places, size/64+1) }

func (p places) has(at int32) bool { return p[at>>6]>>(at&63)&1 != 0 }

// add adds an offset and reports whether it is new.
func (p places) add(at int32) bool {
	isNew := !p.has(at)
	p[at>>6] |= 1 << (at & 63)
	return isNew
}

// codeSweep is an image read as x86 code from end to end. A byte that was lost
// throws it off for a few instructions only.
type codeSweep struct {
	data  []byte
	start places    // where instructions begin
	refs  []codeRef // those among code, in the order of their places

	all, prefixed int // instructions, and those that begin with 0x40 to 0x4F
}

// Parts of an image tell in which width its code runs, if it holds x86 code at
// all. Code of 64 bits puts a prefix of 0x40 to 0x4F before every third
// instruction or so; what these bytes mean in other code is rare.
const (
	sampleSize  = 4 << 10
	sampleCount = 64
	prefixShare = 10 // in a hundred instructions, from which code is of 64 bits
)

// codeSamples tells what samples of an image hold.
type codeSamples struct {
	all, withCode          int // samples, and those that hold x86 code
	instructions, prefixed int // in those with code; prefixed ones begin with 0x40 to 0x4F
}

// sampleCode looks at samples of data, evenly spread.
func sampleCode(data []byte) codeSamples {
	var c codeSamples
	stride := max(len(data)/sampleCount, sampleSize)
	for at := 0; at < len(data); at += stride {
		c.all++
		if s := sweepAs(data[at:min(at+sampleSize, len(data))], 64); len(s.refs) >= codeRefs {
			c.withCode++
			c.instructions, c.prefixed = c.instructions+s.all, c.prefixed+s.prefixed
		}
	}
	return c
}

// sweepOf reads data as the x86 code that it holds, nil if it seems to hold
// none.
func sweepOf(data []byte) *codeSweep {
	c := sampleCode(data)
	switch {
	case c.withCode == 0:
		return nil
	case 100*c.prefixed >= prefixShare*c.instructions:
		return sweepAs(data, 64)
	}
	return sweepAs(data, 32)
}

// sweepAs reads data as code of the width given.
func sweepAs(data []byte, mode x86Mode) *codeSweep {
	s := &codeSweep{data: data, start: newPlaces(len(data))}
	for i := 0; i < len(data); {
		s.start.add(int32(i))
		if i+8 <= len(data) && binary.LittleEndian.Uint64(data[i:]) == 0 {
			// Behind a gap of zeros code begins at a multiple of 8 at least.
			i = (i + 8) &^ 7
			continue
		}
		in := decodeX86(data[i:min(i+2*mostX86, len(data))], mode)
		if in.size == 0 {
			i++
			continue
		}
		s.all++
		if data[i]&0xF0 == 0x40 {
			s.prefixed++
		}
		end := i + in.size
		if in.kind != refNone {
			// A distance that no linker filled in leads into the instruction
			// or to the next one.
			if to := end + in.distance; to > 0 && to < len(data) && (to < i || to > end) {
				s.refs = append(s.refs, codeRef{int32(i), int32(to), in.kind})
			}
		}
		i = end
	}
	s.trust()
	return s
}

// fits reports whether what a reference of some kind leads to stands at to: an
// instruction, or, for data, the first byte of a text, behind the 0 that ends
// what stands in front.
func (s *codeSweep) fits(k refKind, to int) bool {
	if to < 1 || to >= len(s.data) {
		return false
	}
	if k == refData {
		return s.data[to-1] == 0 && s.data[to] != 0
	}
	return s.start.has(int32(to))
}

const (
	codeUnit  = 256 // bytes whose references are counted together
	codeReach = 4   // units on either side that are judged with one
	codeRefs  = 8   // references to instructions, and ...
	codeOdds  = 3   // ... how many times as many as to others, that code has there
)

// trust drops the references that do not stand among code. Where they do, nearly
// all lead to instructions; elsewhere what looks like a jump leads anywhere.
func (s *codeSweep) trust() {
	n := len(s.data)/codeUnit + 1
	good, bad := make([]int32, n+1), make([]int32, n+1)
	for _, r := range s.refs {
		switch {
		case r.kind == refData:
		case s.fits(r.kind, int(r.to)):
			good[r.at/codeUnit+1]++
		default:
			bad[r.at/codeUnit+1]++
		}
	}
	for i := range n {
		good[i+1] += good[i]
		bad[i+1] += bad[i]
	}
	kept := s.refs[:0]
	for _, r := range s.refs {
		u := int(r.at) / codeUnit
		from, to := max(u-codeReach, 0), min(u+codeReach+1, n)
		if g, b := good[to]-good[from], bad[to]-bad[from]; g >= codeRefs && g >= codeOdds*b {
			kept = append(kept, r)
		}
	}
	s.refs = kept
}
