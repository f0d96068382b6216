package imagetest

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"

	"example.com/calproof/image"
)

// TestImage checks that im holds exactly the bytes of want and that every route
// to them gives the same answer: segments, size, bounds, single bytes, odd
// stretches, blocks, gaps, reads past the ends, reads from several goroutines at
// a time. It returns every disagreement as one joined error, or nil.
//
// want may be in any order, must not overlap, and should be small: each stretch
// is read several times over.
func TestImage(im *image.Image, want []image.Segment) error {
	c := &checker{im: im}
	c.expect(want)
	c.shape()
	c.stretches()
	c.edges()
	c.parallel()
	return errors.Join(c.errs...)
}

type checker struct {
	im   *image.Image
	want []image.Segment // sorted, those that touch joined
	errs []error
}

func (c *checker) errorf(format string, args ...any) {
	if len(c.errs) < 20 {
		c.errs = append(c.errs, fmt.Errorf(format, args...))
	}
}

// expect sorts want and joins segments that touch.
func (c *checker) expect(want []image.Segment) {
	sorted := slices.Clone(want)
	slices.SortFunc(sorted, func(a, b image.Segment) int {
		if a.Start < b.Start {
			return -1
		}
		return 1
	})
	for _, s := range sorted {
		if len(s.Data) == 0 {
			continue
		}
		if n := len(c.want); n > 0 {
			prev := &c.want[n-1]
			if prev.Start+uint64(len(prev.Data)) == s.Start {
				prev.Data = append(slices.Clip(prev.Data), s.Data...)
				continue
			}
		}
		c.want = append(c.want, s)
	}
}

func rangeOf(s image.Segment) image.Range {
	return image.Range{Start: s.Start, Size: uint64(len(s.Data))}
}

// shape compares what the image says about itself.
func (c *checker) shape() {
	var ranges []image.Range
	size := uint64(0)
	for _, s := range c.want {
		ranges = append(ranges, rangeOf(s))
		size += uint64(len(s.Data))
	}
	if got := c.im.Segments(); !slices.Equal(got, ranges) {
		c.errorf("Segments gives %v, want %v", got, ranges)
	}
	if got := c.im.Size(); got != size {
		c.errorf("Size gives %d, want %d", got, size)
	}
	if len(ranges) == 0 {
		return
	}
	last := ranges[len(ranges)-1].Last()
	if ranges[0].Start == 0 && last == math.MaxUint64 {
		last-- // as Bounds documents: 2^64 does not fit in a size
	}
	if b := c.im.Bounds(); b.Start != ranges[0].Start || b.Last() != last {
		c.errorf("Bounds gives %v, want 0x%X-0x%X", b, ranges[0].Start, last)
	}
	got := c.im.Segments()
	got[0].Start++
	if slices.Equal(got, c.im.Segments()) {
		c.errorf("changing the slice that Segments returned changed the image")
	}
}

// stretches reads parts of every segment by every route. Their ends lie around
// those of the segment and around block sizes.
func (c *checker) stretches() {
	for _, s := range c.want {
		n := len(s.Data)
		offsets := []int{0, 1, 2, 3, 7, n / 3, n / 2, n - 3, n - 2, n - 1, 4096, 65535, 65536}
		lengths := []int{1, 2, 3, 5, 16, 1000, 65535, 65536, 65537, n}
		for _, off := range offsets {
			for _, length := range lengths {
				if off >= 0 && off < n {
					length = min(length, n-off)
					c.read(s.Start+uint64(off), s.Data[off:off+length])
				}
			}
		}
	}
}

// read compares every way to read want from addr on.
func (c *checker) read(addr uint64, want []byte) {
	r := image.Range{Start: addr, Size: uint64(len(want))}
	p := make([]byte, len(want))
	if n, err := c.im.ReadAddr(p, addr); n != len(want) || err != nil || !bytes.Equal(p, want) {
		c.errorf("ReadAddr of %v gives %d bytes, error %v; %s", r, n, err, difference(p, want, addr))
	}
	if got, err := c.im.Bytes(r); err != nil || !bytes.Equal(got, want) {
		c.errorf("Bytes of %v gives error %v; %s", r, err, difference(got, want, addr))
	}
	var blocks []byte
	err := c.im.Blocks(r, func(at uint64, block []byte) error {
		if at != addr+uint64(len(blocks)) {
			c.errorf("Blocks of %v comes to 0x%X after %d bytes", r, at, len(blocks))
		}
		if len(block) == 0 {
			c.errorf("Blocks of %v gives an empty block at 0x%X", r, at)
		}
		blocks = append(blocks, block...)
		return nil
	})
	if err != nil || !bytes.Equal(blocks, want) {
		c.errorf("Blocks of %v gives error %v; %s", r, err, difference(blocks, want, addr))
	}
	if !c.im.Covers(r) {
		c.errorf("Covers of %v is false", r)
	}
	if gaps := c.im.Gaps(r); len(gaps) > 0 {
		c.errorf("Gaps of %v gives %v, want none", r, gaps)
	}
}

// difference says where got first differs from want.
func difference(got, want []byte, addr uint64) string {
	for i := range want {
		if i >= len(got) {
			return fmt.Sprintf("%d bytes instead of %d", len(got), len(want))
		}
		if got[i] != want[i] {
			return fmt.Sprintf("0x%02X instead of 0x%02X at 0x%X", got[i], want[i], addr+uint64(i))
		}
	}
	return "the bytes are equal"
}

// edges reads across the ends of every segment: a byte before, a byte after.
func (c *checker) edges() {
	for i, s := range c.want {
		r := rangeOf(s)
		if r.Start > 0 && (i == 0 || rangeOf(c.want[i-1]).Last() != r.Start-1) {
			before := image.Range{Start: r.Start - 1, Size: 2}
			c.gap(before, r.Start-1, nil)
		}
		if r.Last() < math.MaxUint64 {
			n := min(len(s.Data), 70000)
			tail := s.Data[len(s.Data)-n:]
			c.gap(image.Range{Start: r.Last() - uint64(n) + 1, Size: uint64(n) + 1}, r.Last()+1, tail)
		}
	}
	stop := errors.New("stop")
	for _, s := range c.want[:min(1, len(c.want))] {
		calls := 0
		err := c.im.Blocks(rangeOf(s), func(uint64, []byte) error { calls++; return stop })
		if !errors.Is(err, stop) || calls != 1 {
			c.errorf("Blocks goes on after an error: %d calls, error %v", calls, err)
		}
	}
}

// gap reads r, of which the image holds only the bytes of head, and then none
// at addr.
func (c *checker) gap(r image.Range, addr uint64, head []byte) {
	check := func(route string, got []byte, err error) {
		var gap *image.GapError
		if !errors.As(err, &gap) || gap.Addr != addr || gap.Want != r {
			c.errorf("%s of %v, with a gap at 0x%X, gives error %v (%+v)", route, r, addr, err, gap)
		}
		if !bytes.Equal(got, head) {
			c.errorf("%s of %v gives %d bytes before the gap, want %d", route, r, len(got), len(head))
		}
	}
	p := make([]byte, r.Size)
	n, err := c.im.ReadAddr(p, r.Start)
	check("ReadAddr", p[:n], err)
	var blocks []byte
	err = c.im.Blocks(r, func(_ uint64, block []byte) error { blocks = append(blocks, block...); return nil })
	check("Blocks", blocks, err)
	got, err := c.im.Bytes(r)
	if got != nil {
		c.errorf("Bytes of %v gives bytes though there is a gap", r)
	}
	check("Bytes", head, err)
	if c.im.Covers(r) {
		c.errorf("Covers of %v is true, but there is a gap at 0x%X", r, addr)
	}
	if gaps := c.im.Gaps(r); len(gaps) == 0 || gaps[0].Start != addr {
		c.errorf("Gaps of %v gives %v, want one from 0x%X", r, gaps, addr)
	}
}

// parallel reads everything from several goroutines at a time.
func (c *checker) parallel() {
	const readers = 4
	results := make(chan error, readers)
	for range readers {
		go func() {
			for _, s := range c.want {
				if got, err := c.im.Bytes(rangeOf(s)); err != nil || !bytes.Equal(got, s.Data) {
					results <- fmt.Errorf("several readers at a time: %v gives error %v; %s", rangeOf(s), err, difference(got, s.Data, s.Start))
					return
				}
			}
			results <- nil
		}()
	}
	for range readers {
		if err := <-results; err != nil {
			c.errorf("%w", err)
		}
	}
}
