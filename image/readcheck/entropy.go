package readcheck

import (
	"cmp"
	"math"
	"slices"

	"example.com/calproof/image"
)

// Entropies measures the Shannon entropy of an image and of parts of it, from
// bytes that are read for other purposes too ([maps.ReadOnce]): it takes every
// byte of the image in the order of addresses.
//
// Entropy is in bits a byte: 0 if all bytes are the same, 8 if every value is
// equally frequent, as in compressed or encrypted data. It looks at how often
// values occur, not at their order. No byte gives 0.
type Entropies struct {
	parts []image.Range
	order []int // indexes of parts by address
	next  int   // into order: the first part that does not end before the last block
	of    []histogram
	rest  histogram // outside all parts
}

// NewEntropies begins the measurement. No two of parts may overlap.
func NewEntropies(parts ...image.Range) *Entropies {
	e := &Entropies{parts: parts, of: make([]histogram, len(parts))}
	for i, p := range parts {
		if p.Size > 0 {
			e.order = append(e.order, i)
		}
	}
	slices.SortFunc(e.order, func(i, j int) int { return cmp.Compare(parts[i].Start, parts[j].Start) })
	return e
}

// Take takes the next bytes of the image, the first of which lies at addr.
func (e *Entropies) Take(addr uint64, block []byte) {
	for len(block) > 0 {
		for e.next < len(e.order) && e.parts[e.order[e.next]].Last() < addr {
			e.next++
		}
		h, n := &e.rest, uint64(len(block))
		if e.next < len(e.order) {
			i := e.order[e.next]
			if part := e.parts[i]; part.Contains(addr) {
				h, n = &e.of[i], min(n, part.Size-(addr-part.Start))
			} else {
				n = min(n, part.Start-addr)
			}
		}
		h.add(block[:n])
		block, addr = block[n:], addr+n
	}
}

// Whole returns the entropy of the whole image.
func (e *Entropies) Whole() float64 {
	all := e.rest
	for i := range e.of {
		for v, n := range e.of[i] {
			all[v] += n
		}
	}
	return all.entropy()
}

// Part returns the entropy of what the image holds of part i.
func (e *Entropies) Part(i int) float64 { return e.of[i].entropy() }

// histogram counts how often each byte value occurs.
type histogram [256]uint64

func (h *histogram) add(b []byte) {
	// Two counts in turns: a value that stands twice in a row need not wait.
	var odd histogram
	for ; len(b) >= 8; b = b[8:] {
		h[b[0]]++
		odd[b[1]]++
		h[b[2]]++
		odd[b[3]]++
		h[b[4]]++
		odd[b[5]]++
		h[b[6]]++
		odd[b[7]]++
	}
	for _, v := range b {
		h[v]++
	}
	for v, n := range odd {
		h[v] += n
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
