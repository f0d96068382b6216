package image

import (
	"errors"
	"fmt"
	"slices"
)

// A view is an image made of others. It copies no bytes but reads from them,
// so they must stay open as long as it is used; closing a view does nothing. It
// has no file and, unless said otherwise, no header, start address or notes.

// Slice returns a view of the bytes of im that lie in r, at the same addresses.
// It is an error if there are none.
func (im *Image) Slice(r Range) (*Image, error) {
	var chunks []chunk
	for _, c := range im.chunks {
		if both, ok := c.Intersect(r); ok {
			chunks = append(chunks, chunk{both, c.src, c.off + int64(both.Start-c.Start)})
		}
	}
	if len(chunks) == 0 {
		return nil, fmt.Errorf("the image holds no byte of %v; it spans %v", r, im.Bounds())
	}
	return newImage(FormatRaw, chunks)
}

// Rebase returns a view of im moved as a whole, so that the byte at address
// from has address to. No byte may move past either end of the address space. A
// start address moves along, if it still fits.
func (im *Image) Rebase(from, to uint64) (*Image, error) {
	chunks := slices.Clone(im.chunks)
	for i := range chunks {
		c := &chunks[i]
		moved := Range{c.Start - from + to, c.Size}
		if up := to >= from; up && (moved.Start < c.Start || moved.Last() < moved.Start) || !up && moved.Start > c.Start {
			return nil, fmt.Errorf("moving 0x%X to 0x%X pushes %v out of the 64-bit address space", from, to, c.Range)
		}
		c.Range = moved
	}
	view, err := newImage(FormatRaw, chunks)
	if err != nil {
		return nil, err
	}
	if im.start != nil {
		addr := im.start.addr - from + to
		if (addr >= im.start.addr) == (to >= from) {
			view.start = &start{addr: addr}
		}
	}
	return view, nil
}

// Combine returns a view of several images put together, each at its own
// addresses: two processors' parts, or a boot loader and a program. Use
// [Image.Rebase] to place them first. Overlapping images are an error. Header and
// start address are those of the first image that has one.
func Combine(images ...*Image) (*Image, error) {
	var chunks []chunk
	for i, im := range images {
		for j, other := range images[:i] {
			if both := overlap(im.segments, other.segments); both.Size > 0 {
				return nil, fmt.Errorf("parts %d and %d overlap at %v; place them apart", j+1, i+1, both)
			}
		}
		chunks = append(chunks, im.chunks...)
	}
	view, err := newImage(FormatRaw, chunks)
	if err != nil {
		return nil, err
	}
	for _, im := range slices.Backward(images) {
		if im.header != "" {
			view.header = im.header
		}
		if im.start != nil {
			view.start = im.start
		}
	}
	return view, nil
}

// overlap returns the first range that lies in both sorted lists, or an empty
// one.
func overlap(a, b []Range) Range {
	for len(a) > 0 && len(b) > 0 {
		if both, ok := a[0].Intersect(b[0]); ok {
			return both
		}
		if a[0].Last() < b[0].Last() {
			a = a[1:]
		} else {
			b = b[1:]
		}
	}
	return Range{}
}

// Patch returns a view of im in which the bytes of segments replace those at
// the same addresses. Segments must not overlap one another, and im must hold
// every byte that they replace. Header, start address and format are kept.
func (im *Image) Patch(segments ...Segment) (*Image, error) {
	over, err := FromSegments(segments...)
	if err != nil {
		return nil, err
	}
	for _, r := range over.segments {
		if gaps := im.Gaps(r); len(gaps) > 0 {
			return nil, &GapError{Want: r, Addr: gaps[0].Start}
		}
	}
	chunks := slices.Clone(over.chunks)
	for _, c := range im.chunks {
		for _, r := range SubtractRanges([]Range{c.Range}, over.segments) {
			chunks = append(chunks, chunk{r, c.src, c.off + int64(r.Start-c.Start)})
		}
	}
	view, err := newImage(im.format, chunks)
	if err != nil {
		return nil, err
	}
	view.header, view.start = im.header, im.start
	return view, nil
}

var errUnit = errors.New("unit must be 1, 2 or 4 bytes")
