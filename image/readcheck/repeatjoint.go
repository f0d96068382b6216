package readcheck

import (
	"bytes"
	"encoding/binary"
)

// What stands across the joints of a repetition (between two copies, and
// between the last copy and what follows), and what stands inside the block, is
// looked for in all of the image. A genuine repetition is content like any
// other: what meets at its joints meets elsewhere too, about as often as what
// stands next to each other inside it. Of more than maxJoints repetitions only
// those that say most get points for it; an image with so many is bad enough.
const (
	gramSize  = 4  // a sequence across a joint; each joint has three of them
	pairSize  = 2  // the two bytes at a joint
	jointSize = 12 // what is looked for across the inner joint as a whole
	pieceSize = 8  // a piece of the block, ...
	pieces    = 32 // ... of which about so many are looked for
	maxJoints = 1024

	gramBits = 16 // log2 of the bits that tell which sequences are looked for: the fewer, the faster, ...
	longBits = 20 // ... and of the longer ones, of which there are more
)

// joint is what is known about the joints of a repetition, and its block.
type joint struct {
	fresh    int    // sequences across the joints that stand nowhere else
	pairs    int    // joints of which not even the two bytes next to them do
	inner    []byte // what stands across the inner joint, ...
	known    bool   // ... which stands elsewhere too
	pieces   int    // pieces of the block, ...
	standing int    // ... and how many of them stand elsewhere
}

// points returns what the joints and the block give.
func (j *joint) points(info *[256]float64) float64 {
	p := scoreNew*float64(j.fresh) + scorePair*float64(j.pairs)
	if j.known {
		for _, b := range j.inner {
			p += scoreKnown * info[b]
		}
	}
	if j.pieces > 0 {
		p += scoreElsewhere * float64(j.standing) / float64(j.pieces)
	}
	return p
}

// sequence is one that is looked for on behalf of a repetition. Its size says
// what for.
type sequence struct {
	of    int
	bytes []byte
}

// search looks for sequences, each until it is seen outside the repetition to
// which it belongs.
type search struct {
	list   []*repetition
	out    []joint
	grams  wanted           // by all of their bytes
	longer wanted           // by the first pieceSize of them
	pairs  map[uint16][]int // the repetitions that look for a pair
	paired [1 << 10]uint64  // 65536 bits
}

// wanted are sequences by a hash.
type wanted struct {
	list   map[uint32][]sequence
	filter []uint64 // a bit for each hash
}

func newWanted(hashBits int) wanted {
	return wanted{map[uint32][]sequence{}, make([]uint64, 1<<hashBits/64)}
}

func (w *wanted) add(h uint32, s sequence) {
	w.filter[h/64] |= 1 << (h % 64)
	w.list[h] = append(w.list[h], s)
}

func (w *wanted) has(h uint32) bool { return w.filter[h/64]>>(h%64)&1 != 0 }

func gramHash(g uint32) uint32 { return g * 0x9E3779B1 >> (32 - gramBits) }

func longHash(g uint64) uint32 { return uint32(g * 0x9E3779B97F4A7C15 >> (64 - longBits)) }

// joints looks for the sequences of all repetitions in one pass over the image.
func (c *content) joints(list []*repetition) []joint {
	if len(list) == 0 {
		return nil
	}
	f := &search{
		list: list, out: make([]joint, len(list)),
		grams: newWanted(gramBits), longer: newWanted(longBits), pairs: map[uint16][]int{},
	}
	for i := range list {
		f.add(i)
	}
	for _, s := range c.spans {
		f.scan(s)
	}
	return f.out
}

// add wants all sequences of repetition i.
func (f *search) add(i int) {
	r, j := f.list[i], &f.out[i]
	inner := r.first + r.period
	for k := 1; k < gramSize; k++ {
		f.want(i, inner-k, gramSize)
		if r.atEnd() {
			j.fresh++ // nothing follows that could be known
		} else {
			f.want(i, r.last()-k, gramSize)
		}
	}
	j.pairs = 2
	f.wantPair(i, inner-pairSize/2)
	if !r.atEnd() {
		f.wantPair(i, r.last()-pairSize/2)
	}
	f.want(i, inner-jointSize/2, jointSize)
	step := max(1, (r.period-gramSize)/pieces)
	for at := r.first; at+pieceSize <= inner; at += step {
		f.want(i, at, pieceSize)
	}
}

// want looks for the size bytes at at on behalf of repetition of.
func (f *search) want(of, at, size int) {
	data := f.list[of].span.data
	if at+size > len(data) {
		return
	}
	seq := data[at : at+size]
	switch size {
	case gramSize:
		f.out[of].fresh++
	case pieceSize:
		f.out[of].pieces++
	case jointSize:
		f.out[of].inner = seq
	}
	if size == gramSize {
		f.grams.add(gramHash(binary.LittleEndian.Uint32(seq)), sequence{of, seq})
	} else {
		f.longer.add(longHash(binary.LittleEndian.Uint64(seq)), sequence{of, seq})
	}
}

// wantPair looks for the two bytes at at on behalf of repetition of.
func (f *search) wantPair(of, at int) {
	g := binary.LittleEndian.Uint16(f.list[of].span.data[at:])
	f.pairs[g] = append(f.pairs[g], of)
	f.paired[g/64] |= 1 << (g % 64)
}

// scan looks at every place of s.
func (f *search) scan(s *span) {
	for at := 0; at+gramSize <= len(s.data); at++ {
		g := binary.LittleEndian.Uint32(s.data[at:])
		if p := uint16(g); f.paired[p/64]>>(p%64)&1 != 0 {
			f.seenPair(s, at, p)
		}
		if h := gramHash(g); f.grams.has(h) {
			f.seen(&f.grams, s, at, h)
		}
		if at+pieceSize > len(s.data) {
			continue
		}
		if h := longHash(binary.LittleEndian.Uint64(s.data[at:])); f.longer.has(h) {
			f.seen(&f.longer, s, at, h)
		}
	}
}

// inside reports whether the size bytes at at belong to repetition of.
func (f *search) inside(of int, s *span, at, size int) bool {
	r := f.list[of]
	return r.span == s && at+size > r.start && at < r.end+gramSize
}

// seen notes which of those wanted with hash h stand at at.
func (f *search) seen(from *wanted, s *span, at int, h uint32) {
	rest := from.list[h][:0]
	for _, w := range from.list[h] {
		if f.inside(w.of, s, at, len(w.bytes)) || !bytes.HasPrefix(s.data[at:], w.bytes) {
			rest = append(rest, w)
			continue
		}
		switch len(w.bytes) {
		case gramSize:
			f.out[w.of].fresh--
		case pieceSize:
			f.out[w.of].standing++
		default:
			f.out[w.of].known = true
		}
	}
	from.list[h] = rest
	if len(rest) == 0 {
		from.filter[h/64] &^= 1 << (h % 64)
	}
}

// seenPair notes that pair p stands at at.
func (f *search) seenPair(s *span, at int, p uint16) {
	rest := f.pairs[p][:0]
	for _, of := range f.pairs[p] {
		if f.inside(of, s, at, pairSize) {
			rest = append(rest, of)
		} else {
			f.out[of].pairs--
		}
	}
	f.pairs[p] = rest
	if len(rest) == 0 {
		f.paired[p/64] &^= 1 << (p % 64)
	}
}
