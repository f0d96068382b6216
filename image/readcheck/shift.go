package readcheck

import (
	"encoding/binary"
	"math"
	"math/bits"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// A byte lost or doubled mid-way moves everything after it by one. Most
// content keeps to words: instructions, addresses and table values begin at
// multiples of two or four, so that the same eight bytes stand at distances
// that are multiples of two or four too. Behind a lost byte, sequences that
// also stand before it are found at odd distances instead. Content without
// words (compressed, or code of odd lengths) has no such order, and a shift in
// it cannot be seen this way.
const (
	seqBits     = 17      // log2 of the sequences remembered
	phaseSample = 1 << 20 // sequences looked at
	phaseStep   = 256     // bytes per point at which a shift is tried
	phaseZ      = 5       // standard deviations by which they must outnumber the rest
	strictPart  = 4       // one in this many of the pairs asked for is enough in an image that keeps to words nearly everywhere, if none speaks against it
	strictShare = 0.97    // what nearly everywhere means
	phaseShare  = 0.85    // how strictly they must keep to it, against the other pairs
)

// phases counts pairs of equal sequences by their distance modulo four.
type phases struct {
	// cross[r][p] is, after sum, the number of pairs with distance r mod 4
	// whose first lies before point p and whose second behind it.
	cross [4][]int32
	total [4]int
}

// countPhases pairs every eight bytes of data with an earlier place where they
// stand. A stretch that repeats as a whole counts once.
func countPhases(data []byte) *phases {
	type slot struct {
		tag uint32
		pos uint32 // position+1, 0 for none
	}
	oldest, latest := make([]slot, 1<<seqBits), make([]slot, 1<<seqBits)
	ph := &phases{}
	points := len(data)/phaseStep + 2
	for r := range ph.cross {
		ph.cross[r] = make([]int32, points)
	}
	// Large images are thinned out by content, so that both places of a
	// sequence are kept or left out together.
	thin := uint64(0)
	for len(data)>>bits.Len64(thin) > phaseSample {
		thin = thin<<1 | 1
	}
	lastDist := -1
	for i := 0; i+8 <= len(data); i++ {
		w := binary.LittleEndian.Uint64(data[i:])
		if w>>32 == w&math.MaxUint32 || w>>16 == w<<16>>16 || w<<32 == 0 || w>>32 == 0 {
			continue // fill and half-empty words stand everywhere
		}
		if isTextWord(w) {
			continue // text keeps to no words
		}
		h := w * 0x9E3779B97F4A7C15
		h ^= h >> 29
		h *= 0xBF58476D1CE4E5B9
		if h&thin != 0 {
			continue
		}
		at, tag := h>>(64-seqBits), uint32(h>>8)
		s := &oldest[at]
		if s.pos == 0 {
			*s = slot{tag, uint32(i + 1)}
			continue
		}
		if s.tag != tag {
			s = &latest[at]
			if s.tag != tag || s.pos == 0 {
				*s = slot{tag, uint32(i + 1)}
				continue
			}
		}
		j := int(s.pos) - 1
		if d := i - j; d != lastDist {
			lastDist = d
			r := d & 3
			ph.total[r]++
			ph.cross[r][j/phaseStep+1]++
			ph.cross[r][(i+phaseStep-1)/phaseStep]--
		}
	}
	for r := range ph.cross {
		sum := int32(0)
		for p := range ph.cross[r] {
			sum += ph.cross[r][p]
			ph.cross[r][p] = sum
		}
	}
	return ph
}

// isTextWord reports whether six or more of the bytes of w are ASCII letters or
// punctuation from 0x20 to 0x7F, as text and its ends have.
func isTextWord(w uint64) bool {
	const ones = 0x0101010101010101
	// Per byte: bit 7 clear, and bit 5 or bit 6 set.
	m := (w>>5 | w>>6) &^ (w >> 7) & ones
	return bits.OnesCount64(m) >= 6
}

// shift is a point behind which the content is moved.
type shift struct {
	at     int  // offset, to phaseStep
	double bool // a byte was doubled, not lost; known only for words of four bytes
	known  bool
	pairs  int // pairs that say so
}

// find returns the likeliest shift: a point such that pairs across it keep to
// an odd remainder as clearly as all other pairs keep to an even one. At least
// least pairs must do so.
func (ph *phases) find(least int) (shift, bool) {
	best, bestZ := shift{}, 0.0
	even, odd := ph.total[0]+ph.total[2], ph.total[1]+ph.total[3]
	for p := range ph.cross[0] {
		var in [4]int
		for r := range in {
			in[r] = int(ph.cross[r][p])
		}
		all := even + odd - in[0] - in[1] - in[2] - in[3]
		// Words of four bytes: remainder 1 or 3 takes the place of 0.
		for r := 1; r < 4; r += 2 {
			if z := contrast(in[r], in[0], ph.total[0]-in[0], all, least, len4, in); z > bestZ {
				best, bestZ = shift{p * phaseStep, r == 1, true, in[r]}, z
			}
		}
		// Words of two bytes: odd remainders take the place of even ones.
		if z := contrast(in[1]+in[3], in[0]+in[2], even-in[0]-in[2], all, least, len2, in); z > bestZ && ph.total[2] > ph.total[0]/4 {
			best, bestZ = shift{p * phaseStep, false, false, in[1] + in[3]}, z
		}
	}
	return best, bestZ > 0
}

// The share of pairs that keep to the remainders of words must be this high
// before a break with them means anything.
const (
	len4 = 0.5 // to one remainder of four
	len2 = 0.8 // to two of four
)

// contrast returns by how many standard deviations pairs across a point keep
// to a wrong remainder. right of them keep to the right one, and so do
// outRight of the outAll pairs elsewhere. It is 0 if there are fewer than least,
// or they are not as strict as elsewhere: a part with an order of its own is
// no shift.
func contrast(wrong, right, outRight, outAll, least int, strict float64, in [4]int) float64 {
	inAll := in[0] + in[1] + in[2] + in[3]
	if wrong < max(least/strictPart, 1) || outAll/4 < least {
		return 0
	}
	out := float64(outRight) / float64(outAll)
	if wrong < least && out < strictShare {
		return 0
	}
	if out < strict || float64(wrong)/float64(inAll) < phaseShare*out {
		return 0
	}
	z := float64(wrong-right) / math.Sqrt(float64(wrong+right))
	if z < phaseZ && out < strictShare || right > 0 && wrong < least {
		return 0
	}
	return z
}

// checkShift looks for a byte lost or doubled mid-way.
func (x *examiner) checkShift() {
	for _, s := range x.c.spans {
		if uint64(len(s.data)) > math.MaxUint32-1 {
			continue
		}
		if len(s.data)/5 < x.lim.shiftPairs { // too short for the pairs that contrast asks for
			continue
		}
		sh, ok := countPhases(s.data).find(x.lim.shiftPairs)
		if !ok {
			continue
		}
		r := s.rng(min(sh.at, len(s.data)-1), len(s.data))
		what := "lost or doubled"
		if sh.known {
			what = "lost"
			if sh.double {
				what = "doubled"
			}
		}
		x.found(CodeShifted, evidence.Caution, []image.Range{r},
			"%d sequences behind about 0x%X that also stand before it are out of step with the words of the image: a byte was %s near there, so compare with a second read and read again from 0x%X", sh.pairs, r.Start, what, max(r.Start, 4096)-4096)
	}
}
