package readcheck

import (
	"fmt"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// mostTogether is how many faults of address lines are looked at together: an
// image that repeats itself everywhere has very many.
const mostTogether = 16

// lineFault is a finding about address lines, with what it takes to tell what
// else comes of it: blocks that stand twice because a line did not move were
// not delivered again.
type lineFault struct {
	evidence.Finding
	low, high int // the lines, low < high; both the same if one is stuck
	how       bridge
	whole     bool // over the whole image
}

// same returns the lowest address that reads as addr does.
func (f lineFault) same(addr uint64) uint64 {
	low, high := uint64(1)<<f.low, uint64(1)<<f.high
	settings := addr & (low | high)
	switch {
	case low == high, f.how == lowWins && settings != low|high:
		return addr &^ settings // of two lines: 00, 01 and 10 read the same
	case f.how == highWins && settings != 0:
		return addr&^settings | low // 01, 10 and 11
	}
	return addr
}

// reaches reports whether r lies where f was found. Blocks without content are
// not counted there, so f may begin earlier and end later than it says.
func (f lineFault) reaches(r image.Range) bool {
	return f.whole || slices.ContainsFunc(f.Ranges, func(in image.Range) bool {
		return r.Start+maxBlock >= in.Start && r.Last() <= in.Last()+maxBlock
	})
}

// fold adds the findings about address lines, and about lanes that read alike,
// to the others, and leaves out what a line explains, or a tail of one pattern.
// How many repetitions a line explains is told with it. A line that is still
// in a part and explains no more than one may itself be that one block,
// delivered again: then both are told.
func (x *examiner) fold() {
	by := make([]int, len(x.findings))
	explains := make([]uint64, len(x.lineFaults))
	whole := slices.ContainsFunc(x.lineFaults, func(f lineFault) bool { return f.whole })
	var tail []image.Range
	for i, f := range x.findings {
		by[i] = -1
		switch f.Code {
		case CodeTailConstant:
			tail = f.Ranges
		case CodeBlockRepeated, CodeTailRepeats, CodeTailCopy:
			if by[i] = x.copiedBy(f); by[i] >= 0 {
				explains[by[i]]++
			}
		}
	}
	var rest []evidence.Finding
	for i, f := range x.findings {
		explained := false
		switch f.Code {
		case CodeBlockRepeated, CodeTailRepeats, CodeTailCopy:
			explained = by[i] >= 0 && (x.lineFaults[by[i]].whole || explains[by[i]] > 1)
		case CodeBytesSwapped, CodeInterleaved:
			explained = whole // letters stand twice: what words they make tells nothing
		case CodeDataLineStuck, CodeDataLinesShorted, CodeDataLinesOpposite:
			// Too little for this check lies before the tail.
			explained = tail != nil && image.TotalSize(image.SubtractRanges(f.Ranges, tail)) < uint64(x.lim.dataBytes)
		}
		if !explained {
			rest = append(rest, f)
		}
	}
	for i, f := range x.lineFaults {
		if explains[i] > 1 {
			f.Message += fmt.Sprintf("; it explains %s, not listed here", evidence.Count(explains[i], "repetition"))
		}
		rest = append(rest, f.Finding)
	}
	if !slices.ContainsFunc(x.lineFaults, func(f lineFault) bool { return f.whole && f.low < 2 }) {
		rest = append(rest, x.alike...)
	}
	x.findings, x.lineFaults, x.alike = rest, nil, nil
}

// copiedBy returns by which line fault f, a finding about bytes that also stand
// before them, is explained, or -1. Several may do it together: then it is the
// first of them.
func (x *examiner) copiedBy(f evidence.Finding) int {
	r := f.Ranges[0]
	var by []int
	for i, l := range x.lineFaults {
		if len(by) < mostTogether && l.reaches(r) {
			by = append(by, i)
		}
	}
	if len(by) == 0 {
		return -1
	}
	// same is lineFault.same for all lines that leave blocks of size bytes whole.
	same := func(addr, size uint64) uint64 {
		for range by {
			for _, i := range by {
				if l := x.lineFaults[i]; 1<<l.low >= size {
					addr = l.same(addr)
				}
			}
		}
		return addr
	}
	every := func(from, size uint64, holds func(addr uint64) bool) bool {
		for at := from; at <= r.Last(); at += size {
			if !holds(at) {
				return false
			}
			if at+size < at {
				break // the end of the address space
			}
		}
		return true
	}
	if f.Code == CodeTailCopy {
		first := (r.Start + unitSize - 1) &^ (unitSize - 1)
		if every(first, unitSize, func(at uint64) bool { return same(at, unitSize) < at }) {
			return by[0]
		}
		return -1
	}
	for size := uint64(minBlock); size <= maxBlock && 2*size <= r.Size; size *= 2 {
		want := same(r.Start, size)
		if r.Start%size == 0 && r.Size%size == 0 && every(r.Start, size, func(at uint64) bool { return same(at, size) == want }) {
			return by[0]
		}
	}
	return -1
}
