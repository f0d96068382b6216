package readcheck

import (
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
	leastWordBits  = 0.05 // bits a byte that speak for a layout in words
	wordDeviations = 3    // standard deviations that they must be
	codeShare      = 4    // one of so many samples must hold x86 code
)

// memorySigns says what makes data look like the memory of a processor, or ""
// if nothing does. The code of 8-bit processors keeps to no words, and is not
// known.
func memorySigns(data []byte) string {
	if bits, deviation := wordLayout(data); bits >= leastWordBits && bits >= wordDeviations*deviation {
		return evidence.Sprintf("it is laid out in words as the memory of a processor is (a byte says %.2f bits about its place in the word)", bits)
	}
	if s := sampleCode(data); s.withCode > 0 && codeShare*s.withCode >= s.all {
		return evidence.Sprintf("it holds the code of a processor (x86, in %d of %d samples)", s.withCode, s.all)
	}
	return ""
}
