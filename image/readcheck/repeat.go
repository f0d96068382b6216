package readcheck

import (
	"encoding/binary"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// Transfer blocks are looked for at every size from minBlock to maxBlock bytes.
const (
	minBlock = 16
	maxBlock = 4096
)

// repeatRun is a stretch data[start:end] in which every byte equals the one
// period bytes earlier, at least two periods long and as long as it gets.
type repeatRun struct{ start, end, period int }

// findRepeats returns the runs of data whose period is minBlock to maxBlock
// and is the shortest one, in the order of their ends.
//
// It looks up, for every position, where the same eight bytes stood last.
// Inside a repeated block of 16 bytes or more some eight bytes stood exactly
// one period earlier, so that the distance gives the period, and comparing
// outwards gives the run. A stretch is compared once for each distance at
// most, and nothing is compared inside a run already found, so the time is
// linear in len(data): a few steps a byte for what memories hold, and never
// more than maxBlock.
func findRepeats(data []byte) []repeatRun {
	const tableBits = 14 // 16384 entries: four times the positions that can matter
	var last [1 << tableBits]int
	var seen [maxBlock + 1]int // end of the last stretch compared at this distance
	var runs []repeatRun
	done := 0
	for i := 0; i+8 <= len(data); i++ {
		w := binary.LittleEndian.Uint64(data[i:])
		h := w * 0x9E3779B97F4A7C15 >> (64 - tableBits)
		j := last[h] - 1
		last[h] = i + 1
		d := i - j
		if j < 0 || d < minBlock || d > maxBlock || i < done || i < seen[d] {
			continue
		}
		if binary.LittleEndian.Uint64(data[j:]) != w {
			continue
		}
		e := i + 8 + equalLen(data[i+8:], data[j+8:])
		seen[d] = e
		s := i
		for stop := max(d, i-2*maxBlock); s > stop && data[s-1] == data[s-1-d]; {
			s--
		}
		if e-s < d {
			continue
		}
		runs = append(runs, repeatRun{s - d, e, d})
		done = e
	}
	return runs
}

// equalLen returns how many leading bytes of a and b are equal.
func equalLen(a, b []byte) int {
	n := min(len(a), len(b))
	i := 0
	for ; i+8 <= n; i += 8 {
		if binary.LittleEndian.Uint64(a[i:]) != binary.LittleEndian.Uint64(b[i:]) {
			break
		}
	}
	for i < n && a[i] == b[i] {
		i++
	}
	return i
}

// A repeated block is judged by how its copies lie, because healthy images
// repeat themselves too: tables of equal records, vectors that all point to
// one handler, fill. A stuck transfer buffer repeats whole blocks, counted
// from the first byte of the read, and the repetition begins and ends at a
// block boundary, give or take bytes that happen to match. Records begin
// anywhere and end anywhere.
const (
	edgeSlack      = 2   // bytes the repetition may run over a block boundary by chance, runs of one value counted once, ...
	edgeRunShare   = 16  // such a run may be long, up to one in this many of the block
	edgeSlackShare = 128 // ... or one in this many of the block, for large ones
	repeatValues   = 8   // different byte values a block needs
	twiceBlock     = 128 // smallest block that is a fault when it stands twice; shorter ones must stand thrice
	twiceExact     = 256 // below this size a block that stands twice must keep to its boundaries to the byte
	twiceNoted     = 64  // smallest block worth a note when it stands twice
	smallBlock     = 64  // blocks below this size must stand smallCopies times
	smallCopies    = 5
	tinyBlock      = 32 // blocks below this size must stand tinyCopies times, hold richValues and keep to their boundaries
	tinyCopies     = 8
)

// verdictOnRun is what a repetition means.
type verdictOnRun int

const (
	runOrdinary verdictOnRun = iota // what healthy images hold too
	runNoted                        // could be either
	runStuck                        // a block delivered again
)

// judgeRun says what the repetition r in data means, and how many whole blocks
// in a row are equal.
func (x *examiner) judgeRun(data []byte, r repeatRun) (verdictOnRun, int) {
	p := r.period
	first := (r.start + p - 1) / p * p
	last := r.end / p * p
	copies := (last - first) / p
	before, after := data[r.start:first], data[last:r.end]
	if r.end == len(data) {
		after = nil // the end of the read is an edge in itself
	}
	if p < x.lim.minRepeat {
		return runOrdinary, copies
	}
	slack := max(edgeSlack, p/edgeSlackShare)
	if copies < 2 || steps(before) > slack || steps(after) > slack || max(len(before), len(after)) > max(2*edgeSlack, p/edgeRunShare) {
		return runOrdinary, copies
	}
	var have [256]bool
	values := 0
	for _, b := range data[r.start : r.start+p] {
		if !have[b] {
			have[b] = true
			values++
		}
	}
	loose := len(before) + len(after)
	switch {
	case values < repeatValues:
		return runOrdinary, copies
	case p == x.lim.block:
		return runStuck, copies // the map names this block size
	case p < smallBlock && copies < smallCopies,
		p < tinyBlock && (copies < tinyCopies || values < richValues || loose > 1):
		return runOrdinary, copies
	case copies >= 3:
		return runStuck, copies
	case values < richValues:
		return runOrdinary, copies
	case p >= twiceExact && loose <= 2*slack, p >= twiceBlock && loose <= 1:
		return runStuck, copies
	case p >= twiceNoted:
		return runNoted, copies
	}
	return runOrdinary, copies
}

// steps counts the bytes of b that differ from the one before, the first
// included: a run of one value that happens to match counts once.
func steps(b []byte) int {
	n := 0
	for i := range b {
		if i == 0 || b[i] != b[i-1] {
			n++
		}
	}
	return n
}

// checkRepeats looks for transfer blocks that were delivered again.
func (x *examiner) checkRepeats() {
	for _, s := range x.c.spans {
		for _, r := range findRepeats(s.data) {
			v, copies := x.judgeRun(s.data, r)
			if v == runOrdinary {
				continue
			}
			p := r.period
			first := (r.start + p - 1) / p * p
			rng := s.rng(first, min(first+copies*p, len(s.data)))
			if v == runNoted {
				x.found(CodeBlockRepeated, evidence.Note, []image.Range{rng},
					"the %d bytes from 0x%X stand twice in a row, on block boundaries; tables do that too, so compare %s with a second read", p, rng.Start, rng)
				continue
			}
			sev, code := evidence.Fault, CodeBlockRepeated
			if r.end == len(s.data) {
				code = CodeTailRepeats
			}
			x.found(code, sev, []image.Range{rng},
				"one block of %d bytes stands %d times in a row from 0x%X to 0x%X and begins and ends on block boundaries, as a transfer buffer that was not refilled leaves it; read %s again", p, copies, rng.Start, rng.Last(), rng)
		}
	}
}
