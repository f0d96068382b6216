package readcheck

import (
	"cmp"
	"math"
	"slices"
	"sync"
)

// Healthy images repeat themselves too: tables of equal records, equal
// functions, vectors that all point to one handler. A repetition is therefore
// judged by how its copies lie and by what else the image holds. A transfer
// buffer that was not refilled repeats whole blocks, counted from the first
// byte of the read, so that the repetition begins and ends at a block boundary,
// give or take bytes that happen to match. It puts together what never stood
// together: the end of a block and its beginning, and the end of the last copy
// and what follows. What it repeats stood once, so that calls in it count from
// one place only. Records begin and end anywhere, look like their neighbours,
// hold what stands elsewhere too, and seldom come alone.
//
// The score of a repetition: points add up, each worth about a factor of two in
// the odds that a block was delivered again.
const (
	scoreOctave    = 2.0  // for each doubling of the block from half of minBlock on: either end meets a multiple of it by chance half as often
	scoreCopies    = 1.9  // for each doubling of the extra copies, ...
	scoreLarge     = -0.6 // ... but less for each doubling of the block from minBlock on, ...
	scoreDoublings = 3    // ... of neither of which more count
	scoreOverrun   = -0.7 // for each doubling of one more than the bytes over a boundary: where the edge lies is known that much worse
	scoreStep      = -0.4 // for each change of value over a boundary
	scoreNew       = 0.65 // for each of the six sequences across a joint that stand nowhere else
	scorePair      = 1.5  // for each of the two joints of which not even the two bytes next to it do
	scoreKnown     = -.03 // for each bit of what stands across the inner joint, if it stands elsewhere too
	scoreAlike     = -2.0 // for a neighbour as alike as another copy; less for one less alike
	scoreElsewhere = -3.0 // for a block all pieces of which stand elsewhere; less for fewer
	scoreDense     = -0.9 // for each bit that a byte of the block says more than denseByte: where all is rare, a joint is too
	scoreNear      = -1.0 // for each doubling of one more than the repetitions within nearBytes
	scoreOthers    = -1.0 // for each doubling of one more than the repetitions off the boundaries that say as much
	scoreCall      = 6.0  // if a call leads to a known place from the first copy only

	edgeSteps   = 8    // changes of value by which a repetition may run over a block boundary by chance, ...
	edgeBytes   = 8    // ... and bytes, ...
	edgeShare   = 4    // ... or one in this many of the block: one value that both sides end in may be long
	denseByte   = 5    // bits
	nearBytes   = 2048 // a table is about so large
	othersShare = 0.9  // of what a repetition says another must say to count

	twiceFault = 128 // smallest block that is a fault when it stands twice; below it is a caution
	twiceNoted = 64  // smallest block worth a note when it misses the score ...
	noteScore  = 1.0 // ... by no more than this
)

// repetition is a run that holds two whole blocks or more.
type repetition struct {
	repeatRun
	span   *span
	first  int     // where the first whole block begins
	copies int     // whole blocks in a row
	before int     // bytes by which the run reaches over the boundary in front of the first block, ...
	after  int     // ... and over that behind the last
	steps  int     // changes of value in them
	near   int     // other repetitions close by
	bits   float64 // what one block says, in bits, by how common its bytes are
	said   float64 // what all copies but the first would say
	score  float64
}

func (r *repetition) last() int   { return r.first + r.copies*r.period }
func (r *repetition) atEnd() bool { return r.end == len(r.span.data) }

// repetitions returns the runs of all spans that begin and end on multiples of
// their period, each with its score.
func (x *examiner) repetitions() []*repetition {
	info := x.c.byteBits()
	var on []*repetition
	var off []float64 // what the runs say that lie off the boundaries
	for _, s := range x.c.spans {
		runs := slices.DeleteFunc(findRepeats(s.data), func(run repeatRun) bool {
			return distinct(s.data[run.start:run.start+run.period]) < x.lim.repeatValues
		})
		var here []*repetition
		stray := runs[:0] // those off the boundaries
		for _, run := range runs {
			r := repetition{repeatRun: run, span: s}
			for _, b := range s.data[run.start : run.start+run.period] {
				r.bits += info[b]
			}
			r.said = r.bits * (float64(run.end-run.start)/float64(run.period) - 1)
			if run.period >= x.lim.minRepeat && r.onBoundaries() {
				kept := r
				here = append(here, &kept)
			} else {
				off = append(off, r.said)
				stray = append(stray, run)
			}
		}
		for _, r := range here {
			r.near = countNear(stray, r)
		}
		on = append(on, here...)
	}
	slices.Sort(off)
	var open []*repetition // those that the joints and the calls decide
	for _, r := range on {
		least, _ := slices.BinarySearch(off, othersShare*r.said)
		r.score = r.lies(info) + scoreOthers*doublings(len(off)-least)
		if r.score+2*(scoreNew*(gramSize-1)+scorePair)+scoreCall >= x.lim.repeatScore-noteScore {
			open = append(open, r)
		}
	}
	if len(open) > maxJoints {
		slices.SortStableFunc(open, func(a, b *repetition) int { return cmp.Compare(b.said, a.said) })
		x.skipped("%d stretches may be blocks delivered again; only the %d longest and richest of them were looked at closely", len(open), maxJoints)
		open = open[:maxJoints]
	}
	var called []bool
	var wg sync.WaitGroup
	wg.Go(func() { called = x.c.calledFromFirst(open) })
	joints := x.c.joints(open)
	wg.Wait()
	for i, j := range joints {
		open[i].score += j.points(info)
		if called[i] {
			open[i].score += scoreCall
		}
	}
	return on
}

// lies gives points for how the copies lie, and for what lies around them.
func (r *repetition) lies(info *[256]float64) float64 {
	octaves := math.Log2(float64(r.period) / minBlock)
	copies := min(math.Log2(float64(r.copies-1)), scoreDoublings)
	return scoreOctave*(octaves+1) +
		(scoreCopies+scoreLarge*min(octaves, scoreDoublings))*copies +
		scoreOverrun*(doublings(r.before)+doublings(r.after)) +
		scoreStep*float64(r.steps) +
		scoreAlike*r.alike(info) +
		scoreDense*(r.bits/float64(r.period)-denseByte) +
		scoreNear*doublings(r.near)
}

// doublings is 0 for 0, 1 for 1, 2 for 3, and so on.
func doublings(n int) float64 { return math.Log2(float64(1 + n)) }

// countNear counts the runs around r, which are in the order of their ends and
// hardly overlap, so that few are looked at.
func countNear(runs []repeatRun, r *repetition) int {
	from, _ := slices.BinarySearchFunc(runs, r.start-nearBytes, func(run repeatRun, at int) int { return cmp.Compare(run.end, at) })
	n := 0
	for from+n < len(runs) && runs[from+n].start < r.end+nearBytes {
		n++
	}
	return n
}

// byteBits returns how many bits each byte value says, by how often it stands
// in the image.
func (c *content) byteBits() *[256]float64 {
	var info [256]float64
	for v, n := range c.histogram() {
		info[v] = -math.Log2((float64(n) + 0.5) / (float64(c.size) + 128))
	}
	return &info
}

// onBoundaries reports whether the run begins and ends on multiples of its
// period, give or take chance, and sets where its copies lie.
func (r *repetition) onBoundaries() bool {
	p := r.period
	r.first = (r.start + p - 1) / p * p
	r.copies = (r.end/p*p - r.first) / p
	if r.copies < 2 {
		return false
	}
	before, after := r.span.data[r.start:r.first], r.span.data[r.last():r.end]
	if r.atEnd() {
		after = nil // the end of the read is an edge in itself
	}
	b, a := steps(before), steps(after)
	r.before, r.after, r.steps = len(before), len(after), b+a
	return max(b, a) <= edgeSteps && max(len(before), len(after)) <= max(edgeBytes, p/edgeShare)
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

// alike tells how much of the block also stands before the first copy or
// behind the last one, whichever is more, as a share of what the block says.
func (r *repetition) alike(info *[256]float64) float64 {
	data, p := r.span.data, r.period
	block := data[r.first : r.first+p]
	share := func(at int) float64 {
		if at < 0 || at+p > len(data) {
			return 0
		}
		same := 0.0
		for i, b := range data[at : at+p] {
			if b == block[i] {
				same += info[b]
			}
		}
		return same / r.bits
	}
	return max(share(r.first-p), share(r.last()))
}
