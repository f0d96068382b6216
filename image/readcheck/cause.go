package readcheck

import (
	"fmt"
	"math/bits"

	"example.com/calproof/image"
)

// cause looks for one simple fault that turns the first read into read pair+2:
// every differing address sampled must be explained. It returns "" if none
// does, or if too few addresses differ to tell. line reports whether it is an
// address line, and nothing in the rest of the read speaks against that.
func (c *Comparison) cause(pair int) (what string, line bool) {
	p := c.ag.Pairs[pair]
	if p.Bytes < uint64(c.lim.causeBytes) {
		return "", false
	}
	var samples []sample
	for _, s := range c.samples {
		if s.values[0] != s.values[pair+1] {
			samples = append(samples, s)
		}
	}
	if len(samples) == 0 {
		return "", false
	}
	if v, ok := fillCause(samples, pair+1); ok {
		return fmt.Sprintf("it holds 0x%02X wherever it differs: erased memory, a read that stopped and was padded, or nothing connected", v), false
	}
	at := func(addr uint64) (byte, bool) { return byteAt(c.reads[0], addr) }
	// explained reports whether read pair+2 holds what the first holds at from(addr).
	explained := func(from func(uint64) uint64) bool {
		missed := 0
		for _, s := range samples {
			v, ok := at(from(s.addr))
			if !ok || v != s.values[pair+1] {
				if missed++; missed*100 > c.lim.causeMiss*len(samples) {
					return false
				}
			}
		}
		return true
	}
	// say tells of a fault that explains the samples. It may reach no further
	// than the addresses that differ: then it says so.
	say := func(from func(uint64) uint64, reach func(addr uint64) bool, format string, args ...any) (what string, whole bool) {
		what = fmt.Sprintf(format, args...)
		if c.refuted(pair+1, from, reach) {
			return "where it differs, " + what, false
		}
		return what, true
	}
	everywhere := func(uint64) bool { return true }
	bit := func(k int) uint64 { return 1 << k }
	lines := 0
	for _, r := range c.common {
		lines = max(lines, bits.Len64(r.Start^r.Last()))
	}
	behind := func(a uint64) bool { return a >= samples[0].addr }
	for d := uint64(1); d <= uint64(c.lim.readShift); d++ {
		if from := func(a uint64) uint64 { return a + d }; explained(from) {
			what, _ := say(from, behind, "from 0x%X on it is %s moved down by %d: bytes were lost there", samples[0].addr, c.original, d)
			return what, false
		}
		if from := func(a uint64) uint64 { return a - d }; explained(from) {
			what, _ := say(from, behind, "from 0x%X on it is %s moved up by %d: bytes were doubled there", samples[0].addr, c.original, d)
			return what, false
		}
	}
	for _, n := range []uint64{2, 4} {
		if from := func(a uint64) uint64 { return a ^ (n - 1) }; explained(from) {
			what, _ := say(from, everywhere, "it is %s with the bytes of each %d-bit word in the other order", c.original, 8*n)
			return what, false
		}
	}
	for k := range lines {
		if from := func(a uint64) uint64 { return a ^ bit(k) }; explained(from) {
			var seen [2]bool // a line that is stuck leaves what lies at one of its settings as it is
			for _, s := range samples {
				seen[s.addr>>k&1] = true
			}
			return say(from, func(a uint64) bool { return seen[a>>k&1] }, "it is %s with address line %d stuck or inverted", c.original, k)
		}
	}
	for a := range lines {
		for b := a + 1; b < lines; b++ {
			swap := func(x uint64) uint64 {
				if x>>a&1 != x>>b&1 {
					return x ^ bit(a) ^ bit(b)
				}
				return x
			}
			if explained(swap) {
				return say(swap, everywhere, "it is %s with address lines %d and %d swapped", c.original, a, b)
			}
		}
	}
	return c.dataCause(p), false
}

// causeProbes is how many addresses are looked at, evenly spread, to see
// whether a fault holds beyond those that differ.
const causeProbes = 2048

// refuted reports whether a read holds the same as the first one at addresses
// in reach at which, with every byte taken from another address, it should not.
func (c *Comparison) refuted(read int, from func(uint64) uint64, reach func(addr uint64) bool) bool {
	should, not := 0, 0
	step := max(c.ag.Compared/causeProbes, 1) | 1 // odd: an even one would keep to one setting of the low lines
	skip := uint64(0)
	for _, r := range c.common {
		at := skip
		for ; at < r.Size; at += step {
			addr := r.Start + at
			was, ok := byteAt(c.reads[0], addr)
			other, there := byteAt(c.reads[0], from(addr))
			if !ok || !there || was == other || !reach(addr) {
				continue
			}
			should++
			if is, ok := byteAt(c.reads[read], addr); ok && is == was {
				not++
			}
		}
		skip = at - r.Size
	}
	return not*100 > c.lim.causeMiss*should
}

// byteAt returns the byte of im at addr, if it holds one.
func byteAt(im *image.Image, addr uint64) (byte, bool) {
	var b [1]byte
	_, err := im.ReadAddr(b[:], addr)
	return b[0], err == nil
}

// fillCause returns the one value that a read holds at every sample, if there is
// one: before that, no line need be to blame.
func fillCause(samples []sample, read int) (byte, bool) {
	v := samples[0].values[read]
	for _, s := range samples {
		if s.values[read] != v {
			return 0, false
		}
	}
	return v, true
}

// dataCause explains differences that all lie in one data bit.
func (c *Comparison) dataCause(p PairDiff) string {
	for bit, n := range p.ByBit {
		if n != p.OneToZero+p.ZeroToOne {
			continue
		}
		switch {
		case p.ZeroToOne == 0:
			return fmt.Sprintf("data bit %d fell from 1 to 0, and no other bit differs", bit)
		case p.OneToZero == 0:
			return fmt.Sprintf("data bit %d rose from 0 to 1, and no other bit differs", bit)
		default:
			return fmt.Sprintf("only data bit %d differs, in both directions", bit)
		}
	}
	return ""
}
