package image

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sort"
)

// blockSize is the size of the buffer that [Image.Blocks] reuses. 64 KiB stays
// in the cache between the copy and its use.
const blockSize = 64 << 10

// Image is the read-only content of one controller's memory: bytes at 64-bit
// addresses, possibly with gaps. It is safe for concurrent use, except that
// Close must not run while another call reads.
type Image struct {
	format   Format
	chunks   []chunk // sorted, not empty, not overlapping; neighbours may touch
	segments []Range // chunks, with those that touch joined
	size     uint64
	file     io.ReaderAt // the file as given; nil for an image made in memory
	fileSize int64
	closer   io.Closer // what Open opened; nil otherwise
	header   string
	start    *start
	notes    []Note
}

// chunk is a stretch of addresses whose bytes lie in src from off on.
type chunk struct {
	Range
	src io.ReaderAt
	off int64
}

// start is the address at which execution starts. Type 03 records of Intel HEX
// give it in two halves, kept so that they can be written again.
type start struct {
	addr      uint64
	segmented bool
	cs, ip    uint16
}

// Segment is a stretch of bytes at an address.
type Segment struct {
	Start uint64
	Data  []byte
}

// Note is something about a file that is no mistake but worth knowing: a
// record given twice with equal bytes, a start address, header text.
type Note struct {
	Line    int // 1-based line of a text format; 0 when it has no line
	Message string
	Ranges  []Range // the addresses it is about, if any
}

// GapError says that an address was asked for that the image does not hold.
type GapError struct {
	Want Range  // what was asked for
	Addr uint64 // first address that is missing
}

func (e *GapError) Error() string {
	if e.Want.Size == 1 {
		return fmt.Sprintf("the image holds no byte at 0x%X", e.Addr)
	}
	return fmt.Sprintf("the image holds no byte at 0x%X, which %v needs", e.Addr, e.Want)
}

// FromSegments makes an image of bytes in memory. Segments may come in any
// order; overlapping segments are an error, empty ones are dropped. The data is
// not copied and must not change afterwards.
func FromSegments(segments ...Segment) (*Image, error) {
	chunks := make([]chunk, 0, len(segments))
	for _, s := range segments {
		if len(s.Data) == 0 {
			continue
		}
		if err := checkFits(s.Start, uint64(len(s.Data))); err != nil {
			return nil, err
		}
		chunks = append(chunks, chunk{Range{s.Start, uint64(len(s.Data))}, bytes.NewReader(s.Data), 0})
	}
	return newImage(FormatRaw, chunks)
}

// newImage sorts chunks, which must not be empty or run past the top of the
// address space. Overlapping ones are an error.
func newImage(format Format, chunks []chunk) (*Image, error) {
	im := &Image{format: format, chunks: chunks}
	slices.SortFunc(chunks, func(a, b chunk) int { return cmp.Compare(a.Start, b.Start) })
	for i, c := range chunks {
		if i > 0 {
			if both, ok := chunks[i-1].Intersect(c.Range); ok {
				return nil, fmt.Errorf("two parts of the image overlap at %v", both)
			}
		}
		im.size += c.Size
		if n := len(im.segments); n > 0 && im.segments[n-1].Last()+1 == c.Start {
			im.segments[n-1].Size += c.Size
			continue
		}
		im.segments = append(im.segments, c.Range)
	}
	if im.size == 0 && len(chunks) > 0 {
		return nil, errors.New("an image cannot hold all 2^64 addresses")
	}
	return im, nil
}

// checkFits reports an error if size bytes from start on run past the top of
// the address space.
func checkFits(start, size uint64) error {
	if size > 0 && size-1 > math.MaxUint64-start {
		return fmt.Errorf("0x%X bytes from 0x%X on run past the top of the 64-bit address space", size, start)
	}
	return nil
}

// Close releases what Open opened. Reading from the image, or from a view made
// of it, then gives an error. It does nothing for other images, and nothing
// when called again. On Windows others can rename an open file but not delete,
// truncate or replace it, so close an image when done with it.
func (im *Image) Close() error {
	if im.closer == nil {
		return nil
	}
	return im.closer.Close()
}

// Format returns the format the image was read from; FormatRaw for
// FromSegments and for views.
func (im *Image) Format() Format { return im.format }

// File returns the file as it was given, byte for byte, or nil for an image
// that was made in memory or is a view of others.
func (im *Image) File() *io.SectionReader {
	if im.file == nil {
		return nil
	}
	return io.NewSectionReader(im.file, 0, im.fileSize)
}

// Segments returns the ranges that hold bytes, sorted, adjacent ones merged.
// The caller may keep and change the slice.
func (im *Image) Segments() []Range { return slices.Clone(im.segments) }

// Size returns the number of bytes the image holds, gaps not counted.
func (im *Image) Size() uint64 { return im.size }

// Bounds returns the range from the first to the last byte, gaps included. An
// image without bytes gives an empty range. An image that holds both the first
// and the last address there are gives the range without the last, because
// 2^64 does not fit in Size.
func (im *Image) Bounds() Range {
	if len(im.segments) == 0 {
		return Range{}
	}
	first, last := im.segments[0].Start, im.segments[len(im.segments)-1].Last()
	if first == 0 && last == math.MaxUint64 {
		return Range{0, math.MaxUint64}
	}
	return Range{first, last - first + 1}
}

// Covers reports whether the image holds every byte of r.
func (im *Image) Covers(r Range) bool {
	if r.Size == 0 {
		return true
	}
	i := im.segmentAt(r.Start)
	return i < len(im.segments) && im.segments[i].Covers(r)
}

// segmentAt returns the index of the first segment that ends at or after addr.
func (im *Image) segmentAt(addr uint64) int {
	return sort.Search(len(im.segments), func(i int) bool { return im.segments[i].Last() >= addr })
}

// Gaps returns the parts of r that the image does not hold, sorted.
func (im *Image) Gaps(r Range) []Range {
	if r.Size == 0 {
		return nil
	}
	var near []Range
	for _, s := range im.segments[im.segmentAt(r.Start):] {
		if s.Start > r.Last() {
			break
		}
		near = append(near, s)
	}
	return SubtractRanges([]Range{r}, near)
}

// ReadAddr fills p with the bytes from addr on. It returns how many bytes were
// read before the first gap, and a *GapError if that is less than len(p).
func (im *Image) ReadAddr(p []byte, addr uint64) (int, error) {
	i := sort.Search(len(im.chunks), func(i int) bool { return im.chunks[i].Last() >= addr })
	n := 0
	for n < len(p) {
		at := addr + uint64(n)
		if i == len(im.chunks) || at < im.chunks[i].Start || n > 0 && at == 0 {
			return n, &GapError{Want: Range{addr, uint64(len(p))}, Addr: at}
		}
		c := im.chunks[i]
		inside := at - c.Start
		part := p[n:]
		if left := c.Size - inside; uint64(len(part)) > left {
			part = part[:left]
		}
		m, err := c.src.ReadAt(part, c.off+int64(inside))
		n += m
		if m < len(part) {
			return n, readError(addr+uint64(n), err)
		}
		i++
	}
	return n, nil
}

// readError words a read of a source that gave fewer bytes than it has.
func readError(addr uint64, err error) error {
	if err == nil || errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	return fmt.Errorf("read at 0x%X: %w", addr, err)
}

// Bytes returns a copy of the bytes of r, or a *GapError. Use [Image.Blocks]
// for anything large.
func (im *Image) Bytes(r Range) ([]byte, error) {
	if gaps := im.Gaps(r); len(gaps) > 0 {
		return nil, &GapError{Want: r, Addr: gaps[0].Start}
	}
	p := make([]byte, r.Size)
	if _, err := im.ReadAddr(p, r.Start); err != nil {
		return nil, err
	}
	return p, nil
}

// Blocks calls fn with the bytes of r in address order, a block of at most
// 64 KiB at a time; the slice is only valid during the call. It stops at fn's
// first error and returns it, or a *GapError at the first address the image
// does not hold, after the blocks before that address.
func (im *Image) Blocks(r Range, fn func(addr uint64, block []byte) error) error {
	buf := make([]byte, min(r.Size, blockSize))
	for addr, left := r.Start, r.Size; left > 0; {
		block := buf[:min(left, blockSize)]
		n, err := im.ReadAddr(block, addr)
		if n > 0 {
			if err := fn(addr, block[:n]); err != nil {
				return err
			}
		}
		if err != nil {
			var gap *GapError
			if errors.As(err, &gap) {
				gap.Want = r
			}
			return err
		}
		addr, left = addr+uint64(n), left-uint64(n)
	}
	return nil
}

// Header returns the header text of the file (S0 records, joined by line
// feeds), "" if it has none. It is what the file says, and may hold control
// characters: quote it before showing it.
func (im *Image) Header() string { return im.header }

// StartAddress returns the address at which execution starts according to the
// file, and whether it gives one.
func (im *Image) StartAddress() (uint64, bool) {
	if im.start == nil {
		return 0, false
	}
	return im.start.addr, true
}

// Notes returns what was noticed while reading, in file order. The caller may
// keep and change the slice.
func (im *Image) Notes() []Note { return slices.Clone(im.notes) }
