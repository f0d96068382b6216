package readcheck

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"math"
	"slices"
)

// Healthy images repeat themselves too: tables of equal records, equal
// functions, vectors that all point to one handler. A repetition is therefore
// judged by how its copies lie and by what else the image holds. A transfer
// buffer that was not refilled repeats whole blocks, counted from the first
// byte of the read, so that the repetition begins and ends at a block boundary,
// give or take bytes that happen to match. It puts together what never stood
// together: the end of a block and its beginning, and the end of the last copy
// and what follows. Records begin and end anywhere, look like their neighbours,
// and seldom come alone.
const (
	edgeSteps = 6 // changes of value by which a repetition may run over a block boundary by chance, ...
	edgeBytes = 8 // ... and bytes, but half a block at most,
	edgeShare = 8 // ... or one in this many of the block, for large ones

	// The score of a repetition: points add up, each worth about a factor of
	// two in the odds that a block was delivered again.
	scoreOctaves  = 4     // most points for the size: one for each doubling from minBlock on
	scoreCopies   = 1.5   // for each doubling of the extra copies, ...
	scoreDoubling = 3     // ... of which no more count
	scoreNew      = 0.5   // for each sequence across a joint that stands nowhere else, up to six
	scoreOthers   = -1.5  // for each doubling of one more than the repetitions off the boundaries that say as much
	scoreKnown    = -2.0  // if what stands across the inner joint stands elsewhere too
	scoreAlike    = -2.0  // for a neighbour as alike as another copy; less for one less alike
	scoreStep     = -0.25 // for each change of value over a boundary

	othersShare = 0.9 // of what a repetition says another must say to count

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
	steps  int     // changes of value over the boundaries
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
		for _, run := range findRepeats(s.data) {
			block := s.data[run.start : run.start+run.period]
			if distinct(block) < x.lim.repeatValues {
				continue
			}
			r := &repetition{repeatRun: run, span: s}
			for _, b := range block {
				r.bits += info[b]
			}
			r.said = r.bits * (float64(run.end-run.start)/float64(run.period) - 1)
			if run.period >= x.lim.minRepeat && r.onBoundaries() {
				on = append(on, r)
			} else {
				off = append(off, r.said)
			}
		}
	}
	slices.Sort(off)
	var open []*repetition // those that the joints decide
	for _, r := range on {
		least, _ := slices.BinarySearch(off, othersShare*r.said)
		r.score = min(math.Log2(float64(r.period)/minBlock), scoreOctaves) +
			scoreCopies*min(math.Log2(float64(r.copies-1)), scoreDoubling) +
			scoreOthers*math.Log2(float64(1+len(off)-least)) +
			scoreAlike*r.alike(info) +
			scoreStep*float64(r.steps)
		if r.score+scoreNew*2*(gramSize-1) >= x.lim.repeatScore-noteScore {
			open = append(open, r)
		}
	}
	if len(open) > maxJoints {
		slices.SortStableFunc(open, func(a, b *repetition) int { return cmp.Compare(b.said, a.said) })
		x.skipped("%d stretches may be blocks delivered again; only the %d longest and richest of them were looked at closely", len(open), maxJoints)
		open = open[:maxJoints]
	}
	for i, j := range x.c.joints(open) {
		open[i].score += scoreNew * float64(j.fresh)
		if j.known {
			open[i].score += scoreKnown
		}
	}
	return on
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
// period, give or take chance, and sets first, copies and steps.
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
	r.steps = b + a
	return max(b, a) <= edgeSteps && max(len(before), len(after)) <= max(min(edgeBytes, p/2), p/edgeShare)
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

// Sequences of gramSize bytes are looked for across the joints of a
// repetition: between two copies, and between the last copy and what follows.
// Each joint has three of them. jointSize bytes across the inner joint are
// looked for as a whole. Of more than maxJoints repetitions only those that say
// most get points for their joints; an image with so many is bad enough.
const (
	gramSize  = 4
	jointSize = 12
	maxJoints = 1024
)

// joint is what is known about the joints of a repetition.
type joint struct {
	fresh int  // sequences across the joints that stand nowhere else
	known bool // what stands across the inner joint stands elsewhere too
}

// joints looks for the sequences across the joints of all repetitions in one
// pass over the image.
func (c *content) joints(list []*repetition) []joint {
	out := make([]joint, len(list))
	if len(list) == 0 {
		return out
	}
	type wanted struct {
		of    int
		bytes []byte
	}
	byHash := map[uint32][]wanted{}
	var filter [1 << 10]uint64 // 65536 bits
	hash := func(g uint32) uint32 { return g * 0x9E3779B1 >> 16 }
	want := func(of, at, size int) {
		data := list[of].span.data
		if at < 0 || at+size > len(data) {
			return
		}
		h := hash(binary.LittleEndian.Uint32(data[at:]))
		filter[h/64] |= 1 << (h % 64)
		byHash[h] = append(byHash[h], wanted{of, data[at : at+size]})
		if size == gramSize {
			out[of].fresh++
		}
	}
	for i, r := range list {
		inner := r.first + r.period
		for k := 1; k < gramSize; k++ {
			want(i, inner-k, gramSize)
			if r.atEnd() {
				out[i].fresh++ // nothing follows that could be known
			} else {
				want(i, r.last()-k, gramSize)
			}
		}
		want(i, inner-jointSize/2, jointSize)
	}
	for _, s := range c.spans {
		data := s.data
		for at := 0; at+gramSize <= len(data); at++ {
			h := hash(binary.LittleEndian.Uint32(data[at:]))
			if filter[h/64]>>(h%64)&1 == 0 {
				continue
			}
			rest := byHash[h][:0]
			for _, w := range byHash[h] {
				r := list[w.of]
				inside := r.span == s && at+len(w.bytes) > r.start && at < r.end+gramSize
				switch {
				case inside || !bytes.HasPrefix(data[at:], w.bytes):
					rest = append(rest, w)
				case len(w.bytes) == gramSize:
					out[w.of].fresh--
				default:
					out[w.of].known = true
				}
			}
			byHash[h] = rest
			if len(rest) == 0 {
				filter[h/64] &^= 1 << (h % 64)
			}
		}
	}
	return out
}
