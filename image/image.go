package image

import (
	"errors"
	"io"
)

// Image is the read-only content of one controller's memory: bytes at 64-bit
// addresses, possibly with gaps. It is safe for concurrent use.
type Image struct{}

// Options says how to read a file. The zero value tells the format by the
// bytes and places a raw file at address 0.
type Options struct {
	Format    Format // FormatAuto tells it by the bytes
	Base      uint64 // address of the first byte of a raw file; other formats carry addresses and refuse a base
	MaxErrors int    // how many mistakes of a file are reported; 0 means DefaultMaxErrors
}

// Format names a file format. Its text is what --format takes.
type Format string

const (
	FormatAuto     Format = ""         // tell it by the bytes
	FormatRaw      Format = "raw"      // memory bytes, nothing else
	FormatIntelHex Format = "intelhex" // Intel, "Hexadecimal Object File Format Specification", revision A, 6 January 1988
	FormatSRecord  Format = "srecord"  // Motorola, "M68000 Family Programmer's Reference Manual", appendix C
	FormatELF      Format = "elf"      // load segments of a System V ABI object file
)

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
	Ranges  []Range
}

// Open opens the file at path. A raw file is memory-mapped and never copied
// whole. Close releases it.
func Open(path string, opts Options) (*Image, error) { return nil, errTODO }

// New reads an image of size bytes from r, which must stay valid until Close.
func New(r io.ReaderAt, size int64, opts Options) (*Image, error) { return nil, errTODO }

// FromSegments makes an image of bytes in memory. Segments may come in any
// order; overlapping segments are an error. The data is not copied and must
// not change afterwards.
func FromSegments(segments ...Segment) (*Image, error) { return nil, errTODO }

// Close releases what Open opened.
func (im *Image) Close() error { return nil }

// Format returns the format the image was read from; FormatRaw for FromSegments.
func (im *Image) Format() Format { return "" }

// File returns the file as it was given, byte for byte, or nil for an image
// that was made in memory.
func (im *Image) File() *io.SectionReader { return nil }

// Segments returns the ranges that hold bytes, sorted, adjacent ones merged.
// The caller may keep and change the slice.
func (im *Image) Segments() []Range { return nil }

// Size returns the number of bytes the image holds, gaps not counted.
func (im *Image) Size() uint64 { return 0 }

// Bounds returns the range from the first to the last byte, gaps included.
func (im *Image) Bounds() Range { return Range{} }

// Covers reports whether the image holds every byte of r.
func (im *Image) Covers(r Range) bool { return false }

// Gaps returns the parts of r that the image does not hold, sorted.
func (im *Image) Gaps(r Range) []Range { return nil }

// ReadAddr fills p with the bytes from addr on. It returns how many bytes were
// read before the first gap, and a *GapError if that is less than len(p).
func (im *Image) ReadAddr(p []byte, addr uint64) (int, error) { return 0, errTODO }

// Bytes returns a copy of the bytes of r, or a *GapError. Use [Image.Blocks]
// for anything large.
func (im *Image) Bytes(r Range) ([]byte, error) { return nil, errTODO }

// Blocks calls fn with the bytes of r in address order, a block at a time; the
// slice is only valid during the call. It stops at fn's first error and
// returns it, or a *GapError at the first address the image does not hold.
func (im *Image) Blocks(r Range, fn func(addr uint64, block []byte) error) error { return errTODO }

// Header returns the header text of the file (S0 records), "" if it has none.
func (im *Image) Header() string { return "" }

// StartAddress returns the address at which execution starts according to the
// file, and whether it gives one.
func (im *Image) StartAddress() (uint64, bool) { return 0, false }

// Notes returns what was noticed while reading, in file order.
func (im *Image) Notes() []Note { return nil }

// GapError says that an address was asked for that the image does not hold.
type GapError struct {
	Want Range  // what was asked for
	Addr uint64 // first address that is missing
}

func (e *GapError) Error() string { return "" }

var errTODO = errors.New("image: not written yet")
