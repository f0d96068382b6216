package image

import (
	"encoding/binary"
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
	group := j.unit * len(j.images)
	buf := make([]byte, min(blockSize, (len(p)/group+1)*j.unit))
	for done := 0; done < len(p); {
		from, skip := (off+int64(done))/int64(group), int((off+int64(done))%int64(group))
		if left := len(p) - done; skip == 0 && left >= group {
			n := min(len(buf)/j.unit, left/group)
			if err := j.groups(p[done:], from, buf[:n*j.unit]); err != nil {
				return done, err
			}
			done += n * group
			continue
		}
		part := make([]byte, group) // a group of which only a part is asked for
		if err := j.groups(part, from, buf[:j.unit]); err != nil {
			return done, err
		}
		done += copy(p[done:], part[skip:])
	}
	return len(p), nil
}

// groups writes the groups from number from on to dst, as many as buf has
// units. It reads the units of one image after another into buf.
func (j *joined) groups(dst []byte, from int64, buf []byte) error {
	for i, im := range j.images {
		if _, err := im.ReadAddr(buf, j.start+uint64(from)*uint64(j.unit)); err != nil {
			return err
		}
		copyUnits(dst[i*j.unit:], j.unit*len(j.images), buf, j.unit, j.unit, len(buf)/j.unit)
	}
	return nil
}

// copyUnits copies n units of 1, 2 or 4 bytes that lie a stride apart.
func copyUnits(dst []byte, dstStride int, src []byte, srcStride, unit, n int) {
	switch unit {
	case 1:
		for k := range n {
			dst[k*dstStride] = src[k*srcStride]
		}
	case 2:
		for k := range n {
			d, s := k*dstStride, k*srcStride
			*(*[2]byte)(dst[d : d+2]) = *(*[2]byte)(src[s : s+2])
		}
	case 4:
		for k := range n {
			d, s := k*dstStride, k*srcStride
			*(*[4]byte)(dst[d : d+4]) = *(*[4]byte)(src[s : s+4])
		}
	}
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
	// Not whole strides: the image may end after the last unit.
	span := func(units int) int { return (units-1)*e.stride + e.unit }
	buf := make([]byte, span(min(max(1, blockSize/e.stride), len(p)/e.unit+1)))
	most := (len(buf)-e.unit)/e.stride + 1
	for done := 0; done < len(p); {
		from, skip := (off+int64(done))/int64(e.unit), int((off+int64(done))%int64(e.unit))
		n := min(most, (len(p)-done)/e.unit)
		if skip > 0 || n == 0 {
			n = 1 // of which only a part is asked for
		}
		if _, err := e.im.ReadAddr(buf[:span(n)], e.first+uint64(from)*uint64(e.stride)); err != nil {
			return done, err
		}
		if skip > 0 || len(p)-done < e.unit {
			done += copy(p[done:], buf[skip:e.unit])
			continue
		}
		copyUnits(p[done:], e.unit, buf, e.stride, e.unit, n)
		done += n * e.unit
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
	for done := 0; done < len(p); {
		at := off + int64(done)
		skip := int(at % int64(s.unit))
		if whole := (len(p) - done) / s.unit * s.unit; skip == 0 && whole > 0 {
			part := p[done : done+whole]
			if _, err := s.im.ReadAddr(part, s.start+uint64(at)); err != nil {
				return done, err
			}
			swapUnits(part, s.unit)
			done += whole
			continue
		}
		var buf [4]byte // a unit of which only a part is asked for
		one := buf[:s.unit]
		if _, err := s.im.ReadAddr(one, s.start+uint64(at)-uint64(skip)); err != nil {
			return done, err
		}
		swapUnits(one, s.unit)
		done += copy(p[done:], one[skip:])
	}
	return len(p), nil
}

// swapUnits reverses the bytes in each unit of 2 or 4 of p.
func swapUnits(p []byte, unit int) {
	for ; len(p) >= unit; p = p[unit:] {
		if unit == 2 {
			p[0], p[1] = p[1], p[0]
		} else {
			binary.LittleEndian.PutUint32(p, binary.BigEndian.Uint32(p))
		}
	}
}

var (
	_ io.ReaderAt = (*joined)(nil)
	_ io.ReaderAt = (*every)(nil)
	_ io.ReaderAt = (*swapped)(nil)
)
