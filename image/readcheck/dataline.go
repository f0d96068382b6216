package readcheck

import (
	"encoding/binary"
	"fmt"
	"iter"
	"math/bits"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// busBytes is the widest bus that the data line checks look at, in bytes.
const busBytes = 4

// lineStats is what the data lines did over some bytes. Byte lane n holds the
// bytes at addresses that leave remainder n when divided by busBytes; bit 8n+b
// of a word is bit b of lane n.
type lineStats struct {
	bytes    int
	everyOne uint32 // AND of all words: lines that were always 1
	anyOne   uint32 // OR of all words: lines that were ever 1

	// For each rotation r of a word, bit i says that lines i and i+r (mod 32)
	// were ever seen different, and ever seen equal.
	differ, same [17]uint32
}

func newLineStats() *lineStats { return &lineStats{everyOne: ^uint32(0)} }

// statsOf returns what the lines did over units, of unitSize bytes each, whose
// first bytes lie at multiples of unitSize.
//
// It reads all of them for the lines that move, which takes two steps for eight
// bytes. Pairs of lines cost more, but most are seen both ways within a few
// words: those are left alone from there on. A line that moves is seen both
// ways against one that does not.
func statsOf(units iter.Seq[[]byte]) *lineStats {
	st := newLineStats()
	and, or := ^uint64(0), uint64(0)
	for b := range units {
		st.bytes += len(b)
		for ; len(b) >= 16; b = b[16:] {
			v, w := binary.LittleEndian.Uint64(b), binary.LittleEndian.Uint64(b[8:])
			and &= v & w
			or |= v | w
		}
	}
	if st.bytes == 0 {
		return st
	}
	st.everyOne = uint32(and) & uint32(and>>32)
	st.anyOne = uint32(or) | uint32(or>>32)
	moves := st.anyOne &^ st.everyOne
	var open []int // rotations with a pair that was not seen both ways yet
	for r := 1; r <= 16; r++ {
		other := bits.RotateLeft32(moves, -r)
		st.differ[r], st.same[r] = moves^other, moves^other
		values := st.everyOne ^ bits.RotateLeft32(st.everyOne, -r) // of two lines at rest
		st.differ[r] |= values &^ (moves | other)
		st.same[r] |= ^(values | moves | other)
		if moves&other != 0 {
			open = append(open, r)
		}
	}
	for b := range units {
		if len(open) == 0 {
			break
		}
		open = st.addPairs(b, moves, open)
	}
	return st
}

// addPairs counts the pairs of the rotations open in b, and returns those that
// stay open.
func (st *lineStats) addPairs(b []byte, moves uint32, open []int) []int {
	left := open[:0]
	for _, r := range open {
		var differ, equal uint32
		for i := 0; i+4 <= len(b); i += 4 {
			w := binary.LittleEndian.Uint32(b[i:])
			d := w ^ bits.RotateLeft32(w, -r)
			differ |= d
			equal |= ^d
		}
		st.differ[r] |= differ
		st.same[r] |= equal
		if pairs := moves & bits.RotateLeft32(moves, -r); pairs&^(st.differ[r]&st.same[r]) != 0 {
			left = append(left, r)
		}
	}
	return left
}

// merge returns what the lines did over the bytes of st and of others.
func (st *lineStats) merge(others ...*lineStats) *lineStats {
	all := *st
	for _, o := range others {
		all.bytes += o.bytes
		if o.bytes == 0 {
			continue
		}
		// Lines at rest here and there, at another value each, move.
		all.everyOne &= o.everyOne
		all.anyOne |= o.anyOne
		for r := 1; r <= 16; r++ {
			all.differ[r] |= o.differ[r]
			all.same[r] |= o.same[r]
		}
	}
	return &all
}

// dataLine is one data line: bit Bit of the bytes whose address leaves
// remainder Lane when divided by Width. Width is the bus width in bytes.
type dataLine struct {
	Bit, Lane, Width int
}

func (l dataLine) String() string {
	if l.Width == 1 {
		return fmt.Sprintf("data bit %d", l.Bit)
	}
	return fmt.Sprintf("data bit %d of the bytes at addresses %d modulo %d (a line of a %d-bit bus)", l.Bit, l.Lane, l.Width, 8*l.Width)
}

// stuck returns the lines that never moved, as lines of the narrowest bus that
// explains them, those stuck at 0 and those stuck at 1.
func (st *lineStats) stuck() (low, high []dataLine) {
	return narrow(^st.anyOne), narrow(st.everyOne)
}

// narrow turns a set of lines of a bus of busBytes into lines of the narrowest
// bus.
func narrow(set uint32) []dataLine {
	var lines []dataLine
	for width := 1; width <= busBytes; width *= 2 {
		for lane := range width {
			for bit := range 8 {
				var mask uint32
				for l := lane; l < busBytes; l += width {
					mask |= 1 << (8*l + bit)
				}
				if set&mask == mask {
					lines = append(lines, dataLine{bit, lane, width})
					set &^= mask
				}
			}
		}
	}
	return lines
}

// byteSet is a set of byte values.
type byteSet [256]bool

// laneValues returns the values that the bytes of each lane take in r, fill left
// out.
func (c *content) laneValues(r image.Range) (sets [busBytes]byteSet) {
	for unit := range c.unitsIn(r) {
		for i, b := range unit {
			sets[i%busBytes][b] = true
		}
	}
	return sets
}

// varied reports whether the bytes of l's lane take enough values for what its
// lines do to mean something: least of them, or a quarter of all that the lines
// that move can form. Of a table of a few values most lines rest or go together,
// and no wire is broken.
func (l dataLine) varied(sets *[busBytes]byteSet, least int) bool {
	var have byteSet
	always, ever := byte(0xFF), byte(0)
	for i := l.Lane; i < busBytes; i += l.Width {
		for v, is := range sets[i] {
			if is {
				have[v], always, ever = true, always&byte(v), ever|byte(v)
			}
		}
	}
	n := 0
	for _, is := range have {
		if is {
			n++
		}
	}
	const enough = 4
	return n >= min(least, 1<<bits.OnesCount8(ever&^always)/enough)
}

// linePair is two data lines that were always equal, or always opposite.
type linePair struct {
	a, b     dataLine
	opposite bool
}

func (p linePair) String() string {
	if p.a.Width == 1 {
		return fmt.Sprintf("data bits %d and %d", p.a.Bit, p.b.Bit)
	}
	return fmt.Sprintf("data bit %d of the bytes at addresses %d modulo %d and data bit %d of those at %d modulo %d",
		p.a.Bit, p.a.Lane, p.a.Width, p.b.Bit, p.b.Lane, p.b.Width)
}

// pairs returns pairs of lines, of a bus of up to 32 bits, that both moved but
// never apart (or never together).
func (st *lineStats) pairs() []linePair {
	still := ^st.anyOne | st.everyOne
	open := uint32(0)
	for r := 1; r <= 16; r++ {
		open |= ^(still | bits.RotateLeft32(still, -r) | st.differ[r]&st.same[r])
	}
	if open == 0 {
		return nil
	}
	var out []linePair
	for _, opposite := range []bool{false, true} {
		// bound[i] holds the lines bound to line i.
		var bound [32]uint32
		for r := 1; r <= 16; r++ {
			seen := st.differ[r]
			if opposite {
				seen = st.same[r]
			}
			for i := range 32 {
				j := (i + r) % 32
				if seen>>i&1 == 0 && still>>i&1 == 0 && still>>j&1 == 0 {
					bound[i] |= 1 << j
					bound[j] |= 1 << i
				}
			}
		}
		for width := 1; width <= 4; width *= 2 {
			for i := range 8 * width {
				for j := i + 1; j < 8*width; j++ {
					all := true
					for l := 0; l < 4; l += width {
						all = all && bound[8*l+i]>>(8*l+j)&1 == 1
					}
					if !all {
						continue
					}
					for l := 0; l < 4; l += width {
						bound[8*l+i] &^= 1 << (8*l + j)
						bound[8*l+j] &^= 1 << (8*l + i)
					}
					out = append(out, linePair{dataLine{i % 8, i / 8, width}, dataLine{j % 8, j / 8, width}, opposite})
				}
			}
		}
	}
	return out
}

// unitsIn yields the units of content, those that hold more than one value,
// that lie in ranges.
func (c *content) unitsIn(ranges ...image.Range) iter.Seq[[]byte] {
	return func(yield func([]byte) bool) {
		for _, r := range ranges {
			for _, s := range c.spansIn(r) {
				from, to := s.unitsOf(r)
				for u := from; u < to; u++ {
					if s.classes[u] != classFill && !yield(s.unit(u)) {
						return
					}
				}
			}
		}
	}
}

// unitsOf returns the units from to to-1 of s, those that lie in r as a whole.
func (s *span) unitsOf(r image.Range) (from, to int) {
	part, ok := r.Intersect(image.Range{Start: s.start, Size: uint64(len(s.data))})
	if !ok || s.units() == 0 {
		return 0, 0
	}
	first := s.unitAddr(0)
	if part.Last() < first {
		return 0, 0
	}
	from = int((max(part.Start, first) - first + unitSize - 1) / unitSize)
	return from, min(int((part.Last()-first+1)/unitSize), s.units())
}

// statsOver collects the data lines over the content of each part, of which
// the first is the whole image. Those of parts that are too small to be judged
// are nil.
func (x *examiner) statsOver(parts []part) []*lineStats {
	if len(parts) == 0 {
		return nil
	}
	stats := make([]*lineStats, len(parts))
	var own []image.Range // the units counted with a part
	var apart []*lineStats
	for i, p := range parts[1:] {
		if p.r.Size < uint64(x.lim.dataBytes) {
			continue // an image in very many pieces would take its square
		}
		stats[i+1] = statsOf(x.c.unitsIn(p.r))
		if p.inner {
			continue
		}
		apart = append(apart, stats[i+1])
		if skip := -p.r.Start & (unitSize - 1); p.r.Size >= skip+unitSize {
			own = append(own, image.Range{Start: p.r.Start + skip, Size: (p.r.Size - skip) &^ (unitSize - 1)})
		}
	}
	rest := statsOf(x.c.unitsIn(image.SubtractRanges([]image.Range{parts[0].r}, image.MergeRanges(own))...))
	stats[0] = rest.merge(apart...)
	return stats
}

// textShare is the share of printable ASCII, tab, CR, LF and NUL among the
// bytes of r that are no fill, 0 to 1.
func (c *content) textShare(r image.Range) float64 {
	var text, all int
	for unit := range c.unitsIn(r) {
		for _, b := range unit {
			if isText(b) || b == 0 {
				text++
			}
		}
		all += unitSize
	}
	return float64(text) / float64(max(all, 1))
}

// highShare is the share of bytes of 0x80 and up in the lanes of r other than
// that of l, fill left out, 0 to 1.
func (c *content) highShare(r image.Range, l dataLine) float64 {
	var high, all int
	for unit := range c.unitsIn(r) {
		for i, b := range unit {
			if i%l.Width != l.Lane {
				high += int(b >> 7)
				all++
			}
		}
	}
	return float64(high) / float64(max(all, 1))
}

func isText(b byte) bool {
	return b >= 0x20 && b < 0x7F || b == '\t' || b == '\n' || b == '\r'
}

// checkDataLines looks for data lines that never move and for pairs that never
// move apart, first over the whole image, then over each part.
func (x *examiner) checkDataLines() {
	whole := map[string]bool{}
	parts := x.parts()
	for i, st := range x.statsOver(parts) {
		part := parts[i]
		if st == nil || st.bytes < x.lim.dataBytes {
			if i == 0 {
				x.skipped("data lines: only %d bytes of content, %d are needed", st.bytes, x.lim.dataBytes)
			}
			continue
		}
		say := func(code, line, what string) {
			if whole[line] {
				return
			}
			if i == 0 {
				whole[line] = true
			}
			x.found(code, evidence.Fault, []image.Range{part.r},
				"%s %s over all %d bytes of content in %s; check the socket and the wiring of that line, then read the whole memory again", line, what, st.bytes, part.name)
		}
		low, high := st.stuck()
		pairs := st.pairs()
		var values [busBytes]byteSet
		if len(low)+len(high)+len(pairs) > 0 {
			values = x.c.laneValues(part.r)
		}
		for v, lines := range [][]dataLine{low, high} {
			for _, lane := range deadLanes(lines) {
				if !part.whole {
					break // tables of wide values have lanes that are always zero
				}
				say(CodeDataLaneDead, lane.String(), fmt.Sprintf("always read 0x%02X: one chip or one half of the bus is missing", v*0xFF))
			}
			for _, l := range lines {
				if !x.plausibleStuck(l, v, lines, st, part) || !l.varied(&values, x.lim.rich.values) {
					continue
				}
				say(CodeDataLineStuck, l.String(), fmt.Sprintf("always reads %d", v))
			}
		}
		alike := alikeLanes(pairs)
		for _, l := range alike {
			if i == 0 {
				x.alike = append(x.alike, evidence.Finding{Code: CodeDataLinesShorted, Severity: evidence.Fault, Ranges: []image.Range{part.r}, Message: evidence.Sprintf(
					"%s are equal at every place over all %d bytes of content in %s, as if each line of one touched its partner in the other; check the socket and the wiring of these lines, then read the whole memory again", l, st.bytes, part.name)})
			}
		}
		for _, p := range pairs {
			if i > 0 && p.a.Width > 1 {
				continue // tables of wide values bind lines over a part; not over a whole image
			}
			if slices.Contains(alike, p.lanes()) {
				continue
			}
			if !p.a.varied(&values, x.lim.rich.values) || !p.b.varied(&values, x.lim.rich.values) {
				continue
			}
			if p.opposite {
				say(CodeDataLinesOpposite, p.String(), "are always opposite")
			} else {
				say(CodeDataLinesShorted, p.String(), "are always equal, as if they touched")
			}
		}
	}
}

// lanePair is two bytes of the bus.
type lanePair struct{ a, b, width int }

func (l lanePair) String() string {
	return fmt.Sprintf("the bytes at addresses %d and %d modulo %d", l.a, l.b, l.width)
}

func (p linePair) lanes() lanePair { return lanePair{p.a.Lane, p.b.Lane, p.a.Width} }

// alikeLanes returns the lanes that always hold the same byte. Eight bridges in
// a row do that, but far more often an address line that does not choose
// between them.
func alikeLanes(pairs []linePair) (alike []lanePair) {
	count := map[lanePair]int{}
	for _, p := range pairs {
		if p.opposite || p.a.Bit != p.b.Bit || p.a.Lane == p.b.Lane {
			continue
		}
		l := p.lanes()
		if count[l]++; count[l] == 8 {
			alike = append(alike, l)
		}
	}
	return alike
}

// lane is every data line of one byte of the bus.
type lane struct{ n, width int }

func (l lane) String() string {
	return fmt.Sprintf("the bytes at addresses %d modulo %d", l.n, l.width)
}

// deadLanes returns the lanes of which every line is in lines.
func deadLanes(lines []dataLine) []lane {
	count := map[lane]int{}
	var dead []lane
	for _, l := range lines {
		k := lane{l.Lane, l.Width}
		count[k]++
		if count[k] == 8 {
			dead = append(dead, k)
		}
	}
	return dead
}

// plausibleStuck reports whether a line that never moved speaks of wiring. It
// does not where the content explains it: bit 7 of plain text, a whole lane
// (reported on its own), and, over a part of the image, the top or bottom bits
// of a table of small or aligned values.
func (x *examiner) plausibleStuck(l dataLine, v int, all []dataLine, st *lineStats, p part) bool {
	same := 0
	var bits8 uint8
	for _, o := range all {
		if o.Lane == l.Lane && o.Width == l.Width {
			same++
			bits8 |= 1 << o.Bit
		}
	}
	if same == 8 {
		return false
	}
	if l.Bit == 7 && v == 0 {
		if l.Width == 1 && x.c.textShare(p.r) > x.lim.textShare {
			return false
		}
		if l.Width > 1 && x.c.highShare(p.r, l) < x.lim.highShare {
			return false
		}
	}
	if p.whole {
		return true
	}
	if l.Width > 1 {
		return false
	}
	return same <= x.lim.stillLines
}
