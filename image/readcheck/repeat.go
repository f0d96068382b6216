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

// sameStreak is how many positions in a row must have been found at one
// distance before the bytes are compared there.
const sameStreak = 4

// findRepeats returns the runs of data whose period is minBlock to maxBlock
// and is the shortest one, in the order of their ends.
//
// It looks up, for every position, where the same eight bytes stood last.
// Inside a repeated block of 16 bytes or more that is one period earlier for
// many positions in a row, so that the distance gives the period, and comparing
// outwards gives the run. A stretch is compared once for each distance at
// most, and nothing is compared inside a run already found, so the time is
// linear in len(data): a few steps a byte for what memories hold, and never
// more than maxBlock.
func findRepeats(data []byte) []repeatRun {
	const tableBits = 14 // 16384 entries: four times the positions that can matter
	var last [1 << tableBits]uint32
	var seen [maxBlock + 1]int // end of the last stretch compared at this distance
	var runs []repeatRun
	done, streak, previous := 0, 0, uint32(0)
	for i := 0; i+8 <= len(data); i++ {
		w := binary.LittleEndian.Uint64(data[i:])
		h := w * 0x9E3779B97F4A7C15 >> (64 - tableBits)
		dist := uint32(i) - last[h]
		last[h] = uint32(i)
		streak++
		if dist != previous {
			streak = 0
		}
		previous = dist
		if streak < sameStreak {
			continue
		}
		d := int(dist)
		j := i - d
		if d < minBlock || d > maxBlock || j < 0 || i < done || i < seen[d] || binary.LittleEndian.Uint64(data[j:]) != w {
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

// checkRepeats looks for transfer blocks that were delivered again.
func (x *examiner) checkRepeats() {
	for _, r := range x.repetitions() {
		p := r.period
		rng := r.span.rng(r.first, min(r.first+r.copies*p, len(r.span.data)))
		switch {
		case p == x.lim.block, r.score >= x.lim.repeatScore && (r.copies > 2 || p >= twiceFault):
			code := CodeBlockRepeated
			if r.atEnd() {
				code = CodeTailRepeats
			}
			x.found(code, evidence.Fault, []image.Range{rng},
				"one block of %d bytes stands %d times in a row from 0x%X to 0x%X and begins and ends on block boundaries, as a transfer buffer that was not refilled leaves it; read the whole memory again and compare the two reads", p, r.copies, rng.Start, rng.Last())
		case r.score >= x.lim.repeatScore:
			x.found(CodeBlockRepeated, evidence.Caution, []image.Range{rng},
				"one block of %d bytes stands twice in a row from 0x%X to 0x%X, on block boundaries, and no content of its kind explains it: it was delivered again, or it is meant to be there twice; read the whole memory again and compare the two reads", p, rng.Start, rng.Last())
		case r.score >= x.lim.repeatScore-noteScore && p >= twiceNoted:
			x.found(CodeBlockRepeated, evidence.Note, []image.Range{rng},
				"the %d bytes from 0x%X stand %d times in a row, on block boundaries; tables do that too, so compare %s with a second read", p, rng.Start, r.copies, rng)
		}
	}
}
