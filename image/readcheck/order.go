package readcheck

import (
	"math"

	"example.com/calproof/image/evidence"
)

// The order of bytes is judged by text, of which nearly every program holds
// some: pairs of letters that are common in one direction and rare in the
// other tell which arrangement makes words.
const (
	orderSample = 2 << 20 // bytes looked at for each arrangement, spread over the image
	orderChunk  = 64 << 10
)

// arrangement is a way to read the bytes of an image of n bytes: byte i of the
// arranged image is byte from(i, n) of the image.
type arrangement struct {
	code string
	name string
	fix  string // what to write into the map

	flip  int // bits of the address that are the other way round
	chips int // log2 of the chips that stand one behind the other
	woven int // log2 of the memories whose bytes take turns
}

func (a arrangement) from(i, n int) int {
	if a.woven > 0 {
		each := n >> a.woven
		if i >= each<<a.woven {
			return i
		}
		return i%each<<a.woven | i/each
	}
	i ^= a.flip
	return i>>a.chips + i&(1<<a.chips-1)*(n>>a.chips)
}

func arrangements() []arrangement {
	return []arrangement{
		{CodeBytesSwapped, "the two bytes of every 16-bit word exchanged", "swapped = 2", 1, 0, 0},
		{CodeBytesSwapped, "the four bytes of every 32-bit word reversed", "swapped = 4", 3, 0, 0},
		{CodeBytesSwapped, "the two 16-bit halves of every 32-bit word exchanged", "interleaved = 4, and a part whose file ranges are the third, fourth, first and second quarter", 2, 0, 0},
		{CodeInterleaved, "two chips, one behind the other, whose bytes take turns", "a part with two file ranges", 0, 1, 0},
		{CodeInterleaved, "four chips, one behind the other, whose bytes take turns", "a part with four file ranges", 0, 2, 0},
	}
}

// wovenArrangements are the inverse of those of chips. Text does not tell them:
// texts of 16-bit characters, which healthy images hold, make words in them too.
func wovenArrangements() []arrangement {
	return []arrangement{
		{CodeInterleaved, "two memories, whose bytes take turns in the file, one behind the other", "interleaved = 2", 0, 0, 1},
		{CodeInterleaved, "four memories, whose bytes take turns in the file, one behind the other", "interleaved = 4", 0, 0, 2},
	}
}

// directedPairs returns a table whose entry a<<5|b says that letter a before
// letter b (0 for the letter a) is common in English and the reverse is rare.
// The pairs are chosen by that rule from everyday and technical words.
func directedPairs() *[1024]bool {
	var t [1024]bool
	const pairs = "th nd nt ng ou io ea ch co ha hi pr tr gr cr cl pl bl qu ck wh sh fr ly ve vi fo mp ct gh"
	for i := 0; i+1 < len(pairs); i += 3 {
		t[int(pairs[i]-'a')<<5|int(pairs[i+1]-'a')] = true
	}
	return &t
}

// letterTable returns 0 to 25 for the letters, and -1 for every other byte.
func letterTable() *[256]int8 {
	var t [256]int8
	for b := range t {
		t[b] = -1
		if l := b | 0x20; l >= 'a' && l <= 'z' {
			t[b] = int8(l - 'a')
		}
	}
	return &t
}

// wordCounter counts directed pairs of letters in words.
type wordCounter struct {
	directed *[1024]bool
	letters  *[256]int8
	least    int // letters that make a word
}

// count counts in bytes lo to hi-1 of data as a arranges it. It looks at every
// least-th byte: a word lies across one of them.
func (w wordCounter) count(data []byte, a arrangement, lo, hi int) int {
	letter := func(i int) int8 { return w.letters[data[a.from(i, len(data))]] }
	n := 0
	for p := lo + w.least - 1; p < hi; p += w.least {
		if letter(p) < 0 {
			continue
		}
		from, to := p, p+1
		for from > lo && letter(from-1) >= 0 {
			from--
		}
		for to < hi && letter(to) >= 0 {
			to++
		}
		p = to
		if to-from < w.least {
			continue
		}
		prev := letter(from)
		for i := from + 1; i < to; i++ {
			l := letter(i)
			if w.directed[int(prev)<<5|int(l)] {
				n++
			}
			prev = l
		}
	}
	return n
}

// checkOrder looks for bytes in another order than the words of the image.
func (x *examiner) checkOrder() {
	w := wordCounter{directedPairs(), letterTable(), x.lim.wordLetters}
	for _, s := range x.c.spans {
		data := s.data[:len(s.data)&^3]
		score := func(a arrangement) (pairs int) {
			for _, at := range sampleStarts(len(data)) {
				pairs += w.count(data, a, at, min(at+orderChunk, len(data)))
			}
			return pairs
		}
		asIs := score(arrangement{})
		best, bestScore := arrangement{}, 0
		for _, a := range arrangements() {
			if n := score(a); n > bestScore {
				best, bestScore = a, n
			}
		}
		if x.lim.moreWords(bestScore, asIs) {
			x.found(best.code, evidence.Caution, nil,
				"the text in the image makes words only with %s (%d pairs of letters against %d); the file is in another order than the memory, so read it again in the right one or say so in the map (%s)", best.name, bestScore, asIs, best.fix)
		}
	}
}

// moreWords reports whether an arrangement with score pairs beats the image as
// it is with asIs by more than chance.
func (lim limits) moreWords(score, asIs int) bool {
	a, b := float64(score), float64(asIs)
	return score >= lim.orderPairs && a >= lim.orderRatio*b && a-b >= lim.orderDeviations*math.Sqrt(a+b)
}

// sampleStarts returns where chunks of n bytes begin that are looked at.
func sampleStarts(n int) []int {
	chunks := (n + orderChunk - 1) / orderChunk
	step := max(1, chunks*orderChunk/orderSample)
	var starts []int
	for c := 0; c < chunks; c += step {
		starts = append(starts, c*orderChunk)
	}
	return starts
}
