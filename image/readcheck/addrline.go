package readcheck

import (
	"encoding/binary"
	"iter"
	"math/bits"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// lineRun is a stretch in which the image reads the same for several settings
// of one or two address lines.
type lineRun struct {
	ranges   []image.Range // the addresses compared, on every side
	distinct int           // different rich units among them
	whole    bool          // nothing in the image contradicts it
}

// lineTracker collects runs while the units of an image go by in address
// order. A unit that differs from its partner ends a run. Units that are no
// rich content agree by themselves and carry no weight.
type lineTracker struct {
	need     int // distinct rich units that make a run, ...
	whole    int // ... and that do when no unit of the image contradicts it
	runs     []lineRun
	cur      lineRun
	recent   [8]uint64 // the hashes counted last
	counted  int
	mismatch bool
}

// equal notes a unit of class c that reads the same at every address of at.
func (t *lineTracker) equal(hash uint64, c class, at ...uint64) {
	if c != classRich {
		return
	}
	if !slices.Contains(t.recent[:min(t.counted, len(t.recent))], hash) {
		t.recent[t.counted%len(t.recent)] = hash
		t.counted++
		t.cur.distinct++
	}
	for i, a := range at {
		if len(t.cur.ranges) <= i {
			t.cur.ranges = append(t.cur.ranges, image.Range{Start: a, Size: unitSize})
			continue
		}
		r := &t.cur.ranges[i]
		first, last := min(r.Start, a), max(r.Last(), a+unitSize-1)
		*r = image.Range{Start: first, Size: last - first + 1}
	}
}

// differ ends the run.
func (t *lineTracker) differ() {
	t.mismatch = true
	if t.cur.distinct > 0 {
		t.close(t.need)
	}
}

func (t *lineTracker) close(need int) {
	if t.cur.distinct >= need {
		t.cur.ranges = image.MergeRanges(t.cur.ranges)
		t.runs = append(t.runs, t.cur)
	}
	t.cur, t.counted = lineRun{}, 0
}

// finish returns the runs.
func (t *lineTracker) finish() []lineRun {
	if t.mismatch {
		t.close(t.need)
		return t.runs
	}
	t.close(t.whole)
	for i := range t.runs {
		t.runs[i].whole = true
	}
	return t.runs
}

// lines returns the number of address lines that move inside c.
func (c *content) lines() int {
	n := 0
	for _, s := range c.spans {
		if len(s.data) > 0 {
			n = max(n, bits.Len64(s.start^(s.start+uint64(len(s.data))-1)))
		}
	}
	return n
}

// stuckInside returns where the image reads the same whether an address line
// that moves inside the units is low or high, for each of these lines. One pass
// over the bytes serves all of them.
func (c *content) stuckInside(need, whole int) (runs [unitLines][]lineRun) {
	var t [unitLines]lineTracker
	for k := range t {
		t[k] = lineTracker{need: need, whole: whole}
	}
	for _, s := range c.spans {
		for u := range s.units() {
			if s.classes[u] == classFill {
				continue
			}
			b := s.unit(u)
			for k := range t {
				if pairedInside(b, k) {
					t[k].equal(s.hashes[u], s.classes[u], s.unitAddr(u))
				} else {
					t[k].differ()
				}
			}
		}
	}
	for k := range t {
		runs[k] = t[k].finish()
	}
	return runs
}

// stuckLine returns where the image reads the same whether address line k, one
// of those that choose the unit, is low or high.
func (c *content) stuckLine(k, need, whole int) []lineRun {
	t := lineTracker{need: need, whole: whole}
	for _, s := range c.spans {
		for lo, hi := range s.pairedUnits(k) {
			if s.hashes[lo] == s.hashes[hi] {
				if s.periodic(lo, k) {
					continue // the repeated block check judges it
				}
				a := s.unitAddr(lo)
				t.equal(s.hashes[lo], s.classes[lo], a, a|1<<k)
			} else {
				t.differ()
			}
		}
	}
	return t.finish()
}

// suspects are the address lines of unitLines and more, and the pairs of them,
// that are worth looking at: those at which some rich unit reads like its
// partner. All others contradict themselves everywhere.
type suspects struct {
	line uint64     // bit k: line k may be stuck
	pair [64]uint64 // bit b of entry a < b: lines a and b may touch
}

// suspects finds them from the units that stand twice, which are few in a
// healthy image. Two bits for each of many values of a hash tell whether it
// came up never, once or more often: a value shared by chance costs a look.
func (c *content) suspects(lines int) suspects {
	var sus suspects
	for _, s := range c.spans {
		size := bits.Len(uint(s.units())) + 4
		once, twice := make([]uint64, 1<<size>>6+1), make([]uint64, 1<<size>>6+1)
		slot := func(u int) (int, uint64) {
			v := s.hashes[u] >> (64 - size)
			return int(v >> 6), 1 << (v & 63)
		}
		for u, class := range s.classes {
			if class == classRich {
				at, bit := slot(u)
				twice[at] |= once[at] & bit
				once[at] |= bit
			}
		}
		for u, class := range s.classes {
			if class != classRich {
				continue
			}
			if at, bit := slot(u); twice[at]&bit != 0 {
				sus.add(s, u, lines)
			}
		}
	}
	return sus
}

// add notes at which lines and pairs unit u of s reads like its partner.
func (sus *suspects) add(s *span, u, lines int) {
	number := int(s.unitAddr(u) >> unitLines)
	// other is the unit at which the lines of flip are the other way round.
	other := func(flip int) bool {
		v := u + (number ^ flip) - number
		return v >= 0 && v < s.units() && s.hashes[u] == s.hashes[v]
	}
	for a := unitLines; a < lines; a++ {
		sa := 1 << (a - unitLines)
		if number&sa != 0 && other(sa) {
			sus.line |= 1 << a
		}
		for b := a + 1; b < lines; b++ {
			sb := 1 << (b - unitLines)
			if number&sa != 0 && number&sb == 0 && other(sa|sb) {
				sus.pair[a] |= 1 << b
			}
		}
	}
}

// pairedUnits yields, for address line k of unitLines or more, every unit at
// which the line is low together with the one at which only this line is high.
func (s *span) pairedUnits(k int) iter.Seq2[int, int] {
	return func(yield func(lo, hi int) bool) {
		step := 1 << (k - unitLines)
		for lo := 0; lo < s.units()-step; lo++ {
			if in := int(s.unitAddr(lo)>>unitLines) & (2*step - 1); in >= step {
				lo += 2*step - 1 - in // on to the next unit at which the line is low
				continue
			}
			if !yield(lo, lo+step) {
				return
			}
		}
	}
}

// maxBlockLine is the highest line whose partner lies within the longest
// transfer block.
const maxBlockLine = 12

// periodic reports whether unit u, which equals its partner at line k, repeats
// itself with a period of a transfer block: then the period explains the
// equality, not the line.
func (s *span) periodic(u, k int) bool {
	same := func(v int) bool { return v >= 0 && v < s.units() && s.hashes[u] == s.hashes[v] }
	if step := 1 << (k - unitLines); k <= maxBlockLine && (same(u+2*step) || same(u-2*step)) {
		return true
	}
	return s.repeats(u, min(k, maxBlockLine+1), k, k)
}

// repeats reports whether unit u equals a neighbour at a power of two of units,
// as far as line top away and not by line a or b.
func (s *span) repeats(u, top, a, b int) bool {
	for j := unitLines; j < top; j++ {
		if j == a || j == b {
			continue
		}
		step := 1 << (j - unitLines)
		for _, v := range []int{u - step, u + step} {
			if v >= 0 && v < s.units() && s.hashes[u] == s.hashes[v] {
				return true
			}
		}
	}
	return false
}

// pairedInside reports whether b, a unit, reads the same whether address line
// k, one of the low unitLines, is low or high.
func pairedInside(b []byte, k int) bool {
	if k < 3 {
		mask := [3]uint64{0x00FF00FF00FF00FF, 0x0000FFFF0000FFFF, 0x00000000FFFFFFFF}[k]
		for i := 0; i+8 <= len(b); i += 8 {
			w := binary.LittleEndian.Uint64(b[i:])
			if (w^w>>(8<<k))&mask != 0 {
				return false
			}
		}
		return true
	}
	half := 1 << k
	for i := 0; i < len(b); i += 2 * half {
		if string(b[i:i+half]) != string(b[i+half:i+2*half]) {
			return false
		}
	}
	return true
}

// bridge is how two address lines that touch behave.
type bridge int

const (
	lowWins  bridge = iota // both read low when one is low: 00, 01 and 10 read the same
	highWins               // both read high when one is high: 01, 10 and 11 read the same
)

// shortedLines returns where the image reads as it does when address lines
// a < b touch each other, for each way of behaving. For a line below unitLines
// it returns a run over the whole image or none: sparse tables imitate a bridge
// of such a line over a few kilobytes.
func (c *content) shortedLines(a, b, need, whole int) (runs [2][]lineRun) {
	if a >= unitLines {
		return c.shortedUnits(a, b, need, whole)
	}
	for _, how := range []bridge{lowWins, highWins} {
		t := lineTracker{need: need, whole: whole}
		if c.bridgedLow(&t, a, b, how) {
			runs[how] = t.finish()
		}
	}
	return runs
}

// bridgedLow notes the units that read as if lines a and b touched, of which a
// is below unitLines. It stops with false at the first that does not.
func (c *content) bridgedLow(t *lineTracker, a, b int, how bridge) bool {
	for _, s := range c.spans {
		if b < unitLines {
			for u := range s.units() {
				if s.classes[u] == classFill {
					continue
				}
				if !bridgedInside(s.unit(u), a, b, how) {
					return false
				}
				t.equal(s.hashes[u], s.classes[u], s.unitAddr(u))
			}
			continue
		}
		for lo, hi := range s.pairedUnits(b) {
			if s.classes[lo] == classFill && s.hashes[lo] == s.hashes[hi] {
				continue
			}
			if !bridgedAcross(s.unit(lo), s.unit(hi), a, how) {
				return false
			}
			at := s.unitAddr(lo)
			t.equal(s.hashes[lo], s.classes[lo], at, at|1<<b)
		}
	}
	return true
}

// shortedUnits is shortedLines for two lines that choose the unit.
func (c *content) shortedUnits(a, b, need, whole int) (runs [2][]lineRun) {
	var t [2]lineTracker
	for how := range t {
		t[how] = lineTracker{need: need, whole: whole}
	}
	sa := 1 << (a - unitLines)
	for _, s := range c.spans {
		h := s.hashes
		for u, ub := range s.pairedUnits(b) {
			if ub+sa >= len(h) {
				break
			}
			if int(s.unitAddr(u)>>unitLines)&sa != 0 {
				continue
			}
			if h[u+sa] != h[ub] {
				t[lowWins].differ()
				t[highWins].differ()
				continue
			}
			at := s.unitAddr(u)
			for how, third := range [2]int{lowWins: u, highWins: ub + sa} {
				fourth := u + ub + sa - third
				switch {
				case h[ub] != h[third]:
					t[how].differ()
				case h[ub] == h[fourth] || s.repeats(u+sa, maxBlockLine+1, a, b):
					// a period: neither line matters
				default:
					t[how].equal(h[ub], s.classes[ub], at|1<<a, at|1<<b, s.unitAddr(third))
				}
			}
		}
	}
	for how := range t {
		runs[how] = t[how].finish()
	}
	return runs
}

// bridgedInside is shortedLines for two lines that move inside the unit b.
func bridgedInside(b []byte, la, lb int, how bridge) bool {
	for i := range b {
		if i>>la&1 == 1 || i>>lb&1 == 1 {
			continue
		}
		third := b[i]
		if how == highWins {
			third = b[i|1<<la|1<<lb]
		}
		if v := b[i|1<<la]; v != b[i|1<<lb] || v != third {
			return false
		}
	}
	return true
}

// bridgedAcross is shortedLines for line la inside the units and another line
// that is low in lo and high in hi.
func bridgedAcross(lo, hi []byte, la int, how bridge) bool {
	for i := range lo {
		if i>>la&1 == 1 {
			continue
		}
		third := lo[i]
		if how == highWins {
			third = hi[i|1<<la]
		}
		if v := lo[i|1<<la]; v != hi[i] || v != third {
			return false
		}
	}
	return true
}

// checkAddressLines looks for address lines that do not toggle and for pairs
// that touch each other.
func (x *examiner) checkAddressLines() {
	n := x.c.lines()
	sus := x.c.suspects(n)
	runs := make([][]lineRun, n)
	for k, inside := range x.c.stuckInside(x.lim.lowUnits, x.lim.wholeUnits) {
		if k < n {
			runs[k] = inside
		}
	}
	for k := unitLines; k < n; k++ {
		if sus.line>>k&1 == 1 {
			runs[k] = x.c.stuckLine(k, x.lim.lineUnits, x.lim.wholeUnits)
		}
	}
	stuck := func(k int) bool { return len(runs[k]) > 0 && runs[k][0].whole }
	shorted := make([]bool, n)
	for a := range n {
		for b := a + 1; b < n; b++ {
			if stuck(a) || stuck(b) {
				continue // a line that never toggles looks shorted to every other
			}
			if a >= unitLines && sus.pair[a]>>b&1 == 0 {
				continue
			}
			for how, short := range x.c.shortedLines(a, b, x.lim.lineUnits, x.lim.wholeUnits) {
				if len(short) == 0 {
					continue
				}
				if short[0].whole {
					shorted[a], shorted[b] = true, true
				}
				where, ranges := describeRuns(short)
				x.foundLine(lineFault{low: a, high: b, how: bridge(how), whole: short[0].whole}, CodeAddressLinesShorted, ranges,
					"address lines %d and %d act as one: %s the bytes are the same wherever the two lines should differ (%s wins); look for a bridge between them, then read the whole memory again", a, b, where, bridge(how))
			}
		}
	}
	for k, list := range runs {
		if len(list) == 0 || shorted[k] {
			continue // a bridge holds each of its lines still over half of the image
		}
		where, ranges := describeRuns(list)
		x.foundLine(lineFault{low: k, high: k, whole: list[0].whole}, CodeAddressLineStuck, ranges,
			"address line %d does not toggle: %s the bytes are the same at both settings of 0x%X, so half of what should be there was read twice and the other half is missing; check the socket and the wiring of that line, then read the whole memory again", k, where, uint64(1)<<k)
	}
}

// foundLine keeps a fault of address lines for [examiner.fold].
func (x *examiner) foundLine(f lineFault, code string, ranges []image.Range, format string, args ...any) {
	f.Finding = evidence.Finding{Code: code, Severity: evidence.Fault, Message: evidence.Sprintf(format, args...), Ranges: ranges}
	x.lineFaults = append(x.lineFaults, f)
	if f.whole {
		x.holdsWhole(code)
	}
}

// describeRuns says where runs lie, and gives all their ranges.
func describeRuns(runs []lineRun) (string, []image.Range) {
	var ranges []image.Range
	distinct := 0
	for _, r := range runs {
		ranges = append(ranges, r.ranges...)
		distinct += r.distinct
	}
	ranges = image.MergeRanges(ranges)
	if runs[0].whole {
		return evidence.Sprintf("over the whole image (%d different blocks of %d bytes hold content, none contradicts)", distinct, unitSize), ranges
	}
	return evidence.Sprintf("within %s (%d different blocks of %d bytes)", evidence.Ranges(ranges), distinct, unitSize), ranges
}

func (b bridge) String() string {
	if b == lowWins {
		return "low"
	}
	return "high"
}
