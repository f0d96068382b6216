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
	from func(i, n int) int
}

func arrangements() []arrangement {
	return []arrangement{
		{CodeBytesSwapped, "the two bytes of every 16-bit word exchanged", "swapped = 2", func(i, _ int) int { return i ^ 1 }},
		{CodeBytesSwapped, "the four bytes of every 32-bit word reversed", "swapped = 4", func(i, _ int) int { return i ^ 3 }},
		{CodeInterleaved, "two chips, one behind the other, whose bytes take turns", "a part with two file ranges", func(i, n int) int { return i/2 + i%2*(n/2) }},
		{CodeInterleaved, "four chips, one behind the other, whose bytes take turns", "a part with four file ranges", func(i, n int) int { return i/4 + i%4*(n/4) }},
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

// words counts directed pairs inside words of least letters or more.
func words(data []byte, directed *[1024]bool, letters *[256]int8, least int) int {
	n, run, pairs := 0, 0, 0
	prev := int8(-1)
	for _, b := range data {
		l := letters[b]
		if l < 0 {
			if run >= least {
				n += pairs
			}
			run, pairs, prev = 0, 0, -1
			continue
		}
		if prev >= 0 && directed[int(prev)<<5|int(l)] {
			pairs++
		}
		prev = l
		run++
	}
	if run >= least {
		n += pairs
	}
	return n
}

// checkOrder looks for bytes in another order than the words of the image.
func (x *examiner) checkOrder() {
	directed, letters := directedPairs(), letterTable()
	for _, s := range x.c.spans {
		n := len(s.data) &^ 3
		if n < 1024 {
			continue
		}
		starts := sampleStarts(n)
		asIs := 0
		for _, at := range starts {
			asIs += words(s.data[at:min(at+orderChunk, n)], directed, letters, x.lim.wordLetters)
		}
		best, bestScore := arrangement{}, 0
		buf := make([]byte, orderChunk)
		for _, a := range arrangements() {
			score := 0
			for _, at := range starts {
				b := buf[:min(orderChunk, n-at)]
				for i := range b {
					b[i] = s.data[a.from(at+i, n)]
				}
				score += words(b, directed, letters, x.lim.wordLetters)
			}
			if score > bestScore {
				best, bestScore = a, score
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
