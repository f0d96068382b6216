package readcheck

import (
	"math"

	"example.com/calproof/image"
)

// Entropy returns the Shannon entropy of the bytes that im holds in ranges, in
// bits a byte: 0 if all are the same, 8 if every value is equally frequent, as in
// compressed or encrypted data. It looks at how often values occur, not at their
// order. No byte gives 0.
func Entropy(im *image.Image, ranges ...image.Range) (float64, error) {
	var h histogram
	for _, r := range ranges {
		for _, held := range image.SubtractRanges([]image.Range{r}, im.Gaps(r)) {
			err := im.Blocks(held, func(_ uint64, block []byte) error {
				h.add(block)
				return nil
			})
			if err != nil {
				return 0, err
			}
		}
	}
	return h.entropy(), nil
}

// entropyOf is the Shannon entropy of the bytes of b, in bits a byte.
func entropyOf(b []byte) float64 {
	var h histogram
	h.add(b)
	return h.entropy()
}

// histogram counts how often each byte value occurs.
type histogram [256]uint64

func (h *histogram) add(b []byte) {
	for _, v := range b {
		h[v]++
	}
}

// entropy is the sum of -p*log2(p) over the share p of each value (Shannon, "A
// Mathematical Theory of Communication", 1948, section 6).
func (h *histogram) entropy() float64 {
	var total uint64
	for _, n := range h {
		total += n
	}
	sum := 0.0
	for _, n := range h {
		if n > 0 {
			p := float64(n) / float64(total)
			sum -= p * math.Log2(p)
		}
	}
	return sum
}
