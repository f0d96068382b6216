package readcheck

import (
	"iter"
	"math"

	"example.com/calproof/image/evidence"
)

// Most processors of controllers fetch whole words, and their code, tables and
// pointers keep to them: what stands at one place of a 32-bit word is something
// else than what stands at the next. Dictionaries, pictures, libraries and other
// files that only have a size of their own show nothing of the kind.

const wordBytes = 4

// wordLayout returns how many bits each byte of data says about its place in
// the 32-bit word, and the standard deviation that this number has in content
// without any order: the mutual information of value and place, less what chance
// alone gives (G. A. Miller, Note on the bias of information estimates, 1955).
func wordLayout(data []byte) (bits, deviation float64) {
	var count [wordBytes][256]int
	n := len(data) / wordBytes * wordBytes
	for i, b := range data[:n] {
		count[i%wordBytes][b]++
	}
	if n == 0 {
		return 0, 0
	}
	values := 0
	for v := range 256 {
		all := 0
		for place := range count {
			all += count[place][v]
		}
		if all == 0 {
			continue
		}
		values++
		for place := range count {
			if c := count[place][v]; c > 0 {
				bits += float64(c) * math.Log2(wordBytes*float64(c)/float64(all))
			}
		}
	}
	free := float64((values - 1) * (wordBytes - 1)) // degrees of freedom
	per := 2 * math.Ln2 * float64(n)                // twice the evidence in nats is distributed as chi-square
	return bits/float64(n) - free/per, math.Sqrt(2*free) / per
}

const (
	layoutWindow   = 16 << 10 // bytes that are judged together: a lost byte spoils only the window it is in
	leastWordBits  = 0.1      // bits a byte that speak for a layout in words
	wordDeviations = 3        // standard deviations that they must be
	layoutShare    = 4        // one of so many windows must show a layout
	codeShare      = 4        // one of so many samples must hold x86 code
)

// memorySigns says what makes a span look like the memory of a processor, or ""
// if nothing does. Code whose instructions keep to no words, as that of 8-bit
// processors, is not known but for x86. Fill says nothing.
func memorySigns(s *span) string {
	all, with, sum := 0, 0, 0.0
	for window := range s.contentWindows() {
		all++
		if bits, deviation := wordLayout(window); bits >= leastWordBits && bits >= wordDeviations*deviation {
			with, sum = with+1, sum+bits
		}
	}
	if with > 0 && layoutShare*with >= all {
		return evidence.Sprintf("it is laid out in words as the memory of a processor is (in %d of %d parts, where a byte says %.2f bits about its place in the word)", with, all, sum/float64(with))
	}
	if c := sampleCode(s.data); c.withCode > 0 && codeShare*c.withCode >= c.all {
		return evidence.Sprintf("it holds the code of a processor (x86, in %d of %d samples)", c.withCode, c.all)
	}
	return ""
}

// contentWindows yields the units of s that are no fill, layoutWindow bytes of
// them at a time. The last window has less, and is left out if it is short and
// others are there.
func (s *span) contentWindows() iter.Seq[[]byte] {
	return func(yield func([]byte) bool) {
		window := make([]byte, 0, layoutWindow)
		full := false
		for u := range s.units() {
			if s.classes[u] == classFill {
				continue
			}
			if window = append(window, s.unit(u)...); len(window) == layoutWindow {
				if full = true; !yield(window) {
					return
				}
				window = window[:0]
			}
		}
		if len(window) >= layoutWindow/4 || !full && len(window) > 0 {
			yield(window)
		}
	}
}
