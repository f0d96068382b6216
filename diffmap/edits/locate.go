package edits

import (
	"crypto/sha256"
	"slices"

	"example.com/calproof/image"
)

// place is where a stretch is judged.
type place struct {
	shift      int64
	confidence Confidence
}

// maxHits bounds how many places of one anchor are remembered: one that is
// found more often tells nothing.
const maxHits = 16

// locate decides where each stretch of each edit is judged in im.
func locate(im *image.Image, edits []Edit) ([][]place, error) {
	hits, err := scan(im, edits)
	if err != nil {
		return nil, err
	}
	places := make([][]place, len(edits))
	for i, e := range edits {
		places[i] = make([]place, len(e.Stretches))
		for k, s := range e.Stretches {
			span := s.Span()
			lead := shifts(hits[s.Lead], span.Start-AnchorSize)
			trail := shifts(hits[s.Trail], span.Last()+1)
			// Asked for by itself: an anchor found too often may be there and not remembered.
			if stands(im, s.Lead, span.Start-AnchorSize) {
				lead = append(lead, 0)
			}
			if stands(im, s.Trail, span.Last()+1) {
				trail = append(trail, 0)
			}
			places[i][k] = choose(lead, trail)
		}
	}
	return places, nil
}

// stands reports whether im holds the bytes of a at addr.
func stands(im *image.Image, a Anchor, addr uint64) bool {
	r := image.Range{Start: addr, Size: AnchorSize}
	if !a.exists() || !im.Covers(r) {
		return false
	}
	data, err := im.Bytes(r)
	return err == nil && sha256.Sum256(data) == a.SHA256
}

// shifts returns how far the places of an anchor lie from where it was
// recorded.
func shifts(found []uint64, recorded uint64) []int64 {
	var out []int64
	for _, at := range found {
		if at != recorded {
			out = append(out, int64(at-recorded))
		}
	}
	return out
}

// choose prefers the recorded address where both anchors stand, then the only
// place where both do, then the recorded address where one stands, then the
// only place where one does. Where two of these compete without a winner, it is
// the recorded address and the confidence says that others were found.
func choose(lead, trail []int64) place {
	var both []int64
	for _, s := range lead {
		if slices.Contains(trail, s) {
			both = append(both, s)
		}
	}
	either := slices.Concat(lead, trail)
	here := slices.Contains(either, 0)
	switch {
	case slices.Contains(both, 0):
		return place{0, BothAnchors}
	case len(both) > 1 || len(both) == 1 && here:
		return place{0, Ambiguous}
	case len(both) == 1:
		return place{both[0], BothAnchors}
	case here:
		return place{0, OneAnchor}
	case len(either) == 1:
		return place{either[0], OneAnchor}
	case len(either) > 1:
		return place{0, Ambiguous}
	}
	return place{0, AddressOnly}
}

// scan finds every anchor of every edit in one pass over im, moving an Adler-32
// of AnchorSize bytes along each segment. Only where that fits is a SHA-256
// computed.
func scan(im *image.Image, edits []Edit) (map[Anchor][]uint64, error) {
	hits := map[Anchor][]uint64{}
	sums := map[uint32]int{} // anchors that are still looked for, by Adler-32
	var maybe [1 << 16]bool  // low halves of the wanted sums: nearly every position ends here
	want := func(a Anchor) {
		if _, known := hits[a]; known || !a.exists() {
			return
		}
		hits[a] = nil
		sums[a.Adler32]++
		maybe[uint16(a.Adler32)] = true
	}
	for _, e := range edits {
		for _, s := range e.Stretches {
			want(s.Lead)
			want(s.Trail)
		}
	}
	if len(sums) == 0 {
		return hits, nil
	}
	check := func(start uint64, sum uint32, window []byte) {
		if sums[sum] == 0 {
			return
		}
		a := Anchor{Adler32: sum, SHA256: sha256.Sum256(window)}
		if _, wanted := hits[a]; !wanted || len(hits[a]) == maxHits {
			return
		}
		hits[a] = append(hits[a], start)
		if len(hits[a]) == maxHits {
			sums[sum]--
		}
	}
	for _, seg := range im.Segments() {
		var w window
		err := im.Blocks(seg, func(addr uint64, block []byte) error {
			for i, b := range block {
				if w.push(b) && maybe[uint16(w.a+1)] {
					check(addr+uint64(i)-(AnchorSize-1), w.sum(), w.bytes())
				}
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return hits, nil
}
