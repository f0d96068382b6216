package readcheck

import (
	"fmt"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// checkUnused looks for content where by the map there is none: in regions of
// role unused and outside every region. Nothing says what such bytes should be,
// so a read that holds some is not proved. What lies in described, under
// agreeing rules and identity fields, is left alone.
func (x *examiner) checkUnused(described []image.Range) {
	for _, gap := range x.m.Unmapped() {
		x.unusedContent(gap, described, "in no region of the map")
	}
	for _, r := range x.m.Regions {
		if r.Role == maps.RoleUnused && r.Content != maps.ContentExpected {
			x.unusedContent(r.Range, described, fmt.Sprintf("in region %q, which the map calls unused", r.Name))
		}
	}
}

// unusedContent reports the bytes of r that differ from the one value that
// unused memory holds: the commonest there, erased or not.
func (x *examiner) unusedContent(r image.Range, described []image.Range, where string) {
	const (
		near = 16 // bytes of the common value that still belong to one stretch
		most = 64 // stretches named
	)
	var odd []image.Range
	n := 0
	for _, free := range image.SubtractRanges([]image.Range{r}, described) {
		for _, s := range x.c.spansIn(free) {
			part, ok := free.Intersect(image.Range{Start: s.start, Size: uint64(len(s.data))})
			if !ok {
				continue
			}
			data := s.data[part.Start-s.start:][:part.Size]
			if isFill(data) {
				continue
			}
			usual := commonest(data)
			for i, b := range data {
				if b != usual {
					n++
					odd = appendNear(odd, part.Start+uint64(i), near, most)
				}
			}
		}
	}
	if n > 0 {
		x.found(CodeUnusedContent, evidence.Caution, odd,
			"%d bytes at %s hold content %s, and no agreeing checksum covers them: nothing says what they should be, so compare them with a second read, and describe them in the map", n, evidence.Ranges(odd), where)
	}
}

// commonest returns the value that stands most often in data, the lowest of
// several.
func commonest(data []byte) byte {
	var h histogram
	h.add(data)
	best := 0
	for v, n := range h {
		if n > h[best] {
			best = v
		}
	}
	return byte(best)
}
