package image

import (
	"errors"
	"fmt"
	"io"
	"slices"
)

// Join returns a view of images whose bytes are interleaved, as two chips on
// one bus are: unit k of image i (from base on, both counted from 0) lies at
// base + (k*n + i)*unit, where n is the number of images and unit is 1, 2 or 4
// bytes. So Join(0, 1, even, odd) puts a file of the even bytes and a file of
// the odd bytes together. The images must hold the same addresses, in whole
// units from base on.
func Join(base uint64, unit int, images ...*Image) (*Image, error) {
	if unit != 1 && unit != 2 && unit != 4 {
		return nil, fmt.Errorf("join: %w, not %d", errUnit, unit)
	}
	if len(images) < 2 {
		return nil, fmt.Errorf("join: it takes two images or more, not %d", len(images))
	}
	first := images[0].segments
	for i, im := range images[1:] {
		if !slices.Equal(im.segments, first) {
			return nil, fmt.Errorf("join: image %d holds %v, but image 1 holds %v; they must match", i+2, im.segments, first)
		}
	}
	n := uint64(len(images))
	var chunks []chunk
	for _, s := range first {
		if err := checkAligned(s, base, uint64(unit)); err != nil {
			return nil, fmt.Errorf("join: %w", err)
		}
		ahead := s.Start - base
		if s.Size > (1<<63-1)/n || ahead > ^uint64(0)/n || checkFits(base, ahead*n) != nil || checkFits(base+ahead*n, s.Size*n) != nil {
			return nil, fmt.Errorf("join: %v of %d images does not fit in the 64-bit address space", s, n)
		}
		src := &joined{images: images, start: s.Start, unit: unit}
		chunks = append(chunks, chunk{Range{base + ahead*n, s.Size * n}, src, 0})
	}
	return newImage(FormatRaw, chunks)
}

// checkAligned reports an error unless s starts at base or after it and both
// its ends lie a multiple of unit away from base.
func checkAligned(s Range, base, unit uint64) error {
	if s.Start < base {
		return fmt.Errorf("%v starts below the base 0x%X", s, base)
	}
	if (s.Start-base)%unit != 0 || s.Size%unit != 0 {
		return fmt.Errorf("%v does not start and end a multiple of %d bytes from 0x%X", s, unit, base)
	}
	return nil
}

// joined interleaves one segment of several images.
type joined struct {
	images []*Image
	start  uint64 // address of the segment in each image
	unit   int
}

func (j *joined) ReadAt(p []byte, off int64) (int, error) {
	n := len(j.images)
	group := int64(j.unit * n)
	buf := make([]byte, j.unit*min(blockSize/j.unit, len(p)/int(group)+2))
	for done := 0; done < len(p); {
		// A stretch of whole groups that covers as much of p as buf holds.
		at := off + int64(done)
		from := at / group
		groups := min(int64(len(buf)/j.unit), (at+int64(len(p)-done)+group-1)/group-from)
		part := buf[:int(groups)*j.unit]
		skip := int(at - from*group)
		size := min(int(groups*group)-skip, len(p)-done)
		for i, im := range j.images {
			if _, err := im.ReadAddr(part, j.start+uint64(from)*uint64(j.unit)); err != nil {
				return done, err
			}
			out := p[done : done+size]
			for k := range int(groups) {
				for b := range j.unit {
					if to := (k*n+i)*j.unit + b - skip; to >= 0 && to < len(out) {
						out[to] = part[k*j.unit+b]
					}
				}
			}
		}
		done += size
	}
	return len(p), nil
}

// Split undoes [Join]: it returns n views, of which image i holds units i, i+n,
// i+2n and so on from base on, placed from base on without the gaps. im must
// hold whole groups of n units.
func (im *Image) Split(base uint64, n, unit int) ([]*Image, error) {
	if unit != 1 && unit != 2 && unit != 4 {
		return nil, fmt.Errorf("split: %w, not %d", errUnit, unit)
	}
	if n < 2 || n > 256 {
		return nil, fmt.Errorf("split: the number of images must be 2 to 256, not %d", n)
	}
	if len(im.segments) == 0 {
		return nil, errors.New("split: the image holds no bytes")
	}
	for _, s := range im.segments {
		if err := checkAligned(s, base, uint64(n*unit)); err != nil {
			return nil, fmt.Errorf("split: %w", err)
		}
	}
	views := make([]*Image, n)
	for i := range views {
		var chunks []chunk
		for _, s := range im.segments {
			src := &every{im: im, first: s.Start + uint64(i*unit), stride: n * unit, unit: unit}
			chunks = append(chunks, chunk{Range{base + (s.Start-base)/uint64(n), s.Size / uint64(n)}, src, 0})
		}
		view, err := newImage(FormatRaw, chunks)
		if err != nil {
			return nil, err
		}
		views[i] = view
	}
	return views, nil
}

// every takes a unit of each stride of an image.
type every struct {
	im           *Image
	first        uint64 // address of the first unit
	stride, unit int    // in bytes
}

func (e *every) ReadAt(p []byte, off int64) (int, error) {
	// A read covers whole strides but for what lies after the last unit, which
	// the image may not hold.
	span := func(units int) int { return (units-1)*e.stride + e.unit }
	most := max(1, blockSize/e.stride)
	buf := make([]byte, span(min(most, len(p)/e.unit+2)))
	for done := 0; done < len(p); {
		at := off + int64(done)
		from, skip := at/int64(e.unit), int(at%int64(e.unit))
		units := min(most, (skip+len(p)-done+e.unit-1)/e.unit)
		if _, err := e.im.ReadAddr(buf[:span(units)], e.first+uint64(from)*uint64(e.stride)); err != nil {
			return done, err
		}
		for k := range units {
			n := copy(p[done:], buf[k*e.stride+skip:k*e.stride+e.unit])
			done, skip = done+n, 0
		}
	}
	return len(p), nil
}

// Swap returns a view of im with the bytes in every unit of 2 or 4 reversed, as
// after a read with the bytes of a 16-bit or 32-bit bus in the other order.
// Units lie at multiples of unit, and every segment must be made of whole ones.
// Swap(2) of Swap(4) exchanges the 16-bit halves of 32-bit words. Header and
// start address are kept.
func (im *Image) Swap(unit int) (*Image, error) {
	if unit != 2 && unit != 4 {
		return nil, fmt.Errorf("swap: the unit must be 2 or 4 bytes, not %d", unit)
	}
	var chunks []chunk
	for _, s := range im.segments {
		if err := checkAligned(s, 0, uint64(unit)); err != nil {
			return nil, fmt.Errorf("swap: %w", err)
		}
		chunks = append(chunks, chunk{s, &swapped{im: im, start: s.Start, unit: unit}, 0})
	}
	view, err := newImage(FormatRaw, chunks)
	if err != nil {
		return nil, err
	}
	view.header, view.start = im.header, im.start
	return view, nil
}

// swapped reverses the bytes in each unit of one segment of an image.
type swapped struct {
	im    *Image
	start uint64 // address of the segment
	unit  int
}

func (s *swapped) ReadAt(p []byte, off int64) (int, error) {
	unit := int64(s.unit)
	head := int(off % unit)
	whole := (head + len(p) + s.unit - 1) / s.unit * s.unit
	buf := make([]byte, min(whole, blockSize))
	for done := 0; done < len(p); {
		at := off + int64(done)
		from := at / unit * unit
		skip := int(at - from)
		part := buf[:min(len(buf), (skip+len(p)-done+s.unit-1)/s.unit*s.unit)]
		if _, err := s.im.ReadAddr(part, s.start+uint64(from)); err != nil {
			return done, err
		}
		for i := 0; i < len(part); i += s.unit {
			slices.Reverse(part[i : i+s.unit])
		}
		done += copy(p[done:], part[skip:])
	}
	return len(p), nil
}

var (
	_ io.ReaderAt = (*joined)(nil)
	_ io.ReaderAt = (*every)(nil)
	_ io.ReaderAt = (*swapped)(nil)
)
