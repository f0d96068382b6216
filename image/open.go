package image

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
)

// Options says how to read a file. The zero value tells the format by the
// bytes and places a raw file at address 0.
type Options struct {
	Format    Format  // FormatAuto tells it by the bytes
	Base      *uint64 // address of the first byte of a raw file, nil for 0; other formats carry addresses and refuse a base
	MaxErrors int     // how many mistakes of a file are reported; 0 means DefaultMaxErrors
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

// reader reads one format.
type reader struct {
	format Format
	// sniff tells by the first bytes of a file (up to sniffSize) whether it
	// is in the format.
	sniff func(head []byte) bool
	read  func(r io.ReaderAt, size int64, opts Options) (*Image, error)
}

// sniffSize is how many bytes of a file are looked at to tell its format.
const sniffSize = 4096

// readers returns the formats in the order in which they are tried. Raw is
// last and takes everything.
func readers() []reader {
	return []reader{
		{FormatELF, sniffELF, readELF},
		{FormatIntelHex, sniffIntelHex, readIntelHex},
		{FormatSRecord, sniffSRecord, readSRecord},
		{FormatRaw, func([]byte) bool { return true }, readRaw},
	}
}

// Formats returns the formats that can be named, in the order in which they
// are tried.
func Formats() []Format {
	var all []Format
	for _, r := range readers() {
		all = append(all, r.format)
	}
	return all
}

// ParseFormat returns the format with the given name, case ignored; "" and
// "auto" give [FormatAuto].
func ParseFormat(name string) (Format, error) {
	lower := Format(strings.ToLower(name))
	if lower == FormatAuto || lower == "auto" {
		return FormatAuto, nil
	}
	var names []string
	for _, f := range Formats() {
		if f == lower {
			return f, nil
		}
		names = append(names, string(f))
	}
	return "", fmt.Errorf("unknown format %q; the formats are auto, %s", name, strings.Join(names, ", "))
}

// Open opens the file at path. The file is memory-mapped for as long as the
// image is open; the bytes of a raw or ELF file are read from the mapping and
// never copied whole. If another program truncates the file meanwhile, reading
// gives an error. Close releases the file.
//
// Mistakes in a file give a *[FormatErrors].
func Open(path string, opts Options) (*Image, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, fmt.Errorf("%s is a folder; name an image file in it", path)
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is a device or the like; copy what it holds to a file and name that", path)
	}
	m, err := openMapped(path)
	if err != nil {
		return nil, err // which names the file
	}
	im, err := New(m, m.size(), opts)
	if err != nil {
		m.Close()
		return nil, nameFile(err, path)
	}
	im.closer = m
	return im, nil
}

// nameFile puts the file's name into err.
func nameFile(err error, path string) error {
	var list *FormatErrors
	if errors.As(err, &list) {
		for _, e := range list.Errors {
			e.File = path
		}
		return err
	}
	return fmt.Errorf("%s: %w", path, err)
}

// New reads an image of size bytes from r, which must stay valid and unchanged
// as long as the image is used.
func New(r io.ReaderAt, size int64, opts Options) (*Image, error) {
	if size < 0 {
		return nil, fmt.Errorf("size is %d bytes; it cannot be negative", size)
	}
	if opts.MaxErrors < 0 {
		return nil, fmt.Errorf("MaxErrors is %d; it cannot be negative", opts.MaxErrors)
	}
	if size == 0 {
		return nil, emptyError{}
	}
	rd, err := pick(r, size, opts.Format)
	if err != nil {
		return nil, err
	}
	if opts.Base != nil && rd.format != FormatRaw {
		return nil, fmt.Errorf("base 0x%X given, but the file is %s, which carries its own addresses; leave the base out, or read it as raw", *opts.Base, rd.format)
	}
	im, err := rd.read(r, size, opts)
	if err != nil {
		return nil, err
	}
	im.file, im.fileSize = r, size
	return im, nil
}

// emptyError says that a file has no bytes. It unwraps to [io.ErrUnexpectedEOF],
// as every file does that was cut short.
type emptyError struct{}

func (emptyError) Error() string {
	return "the file is empty (0 bytes); whatever wrote it did not finish"
}
func (emptyError) Unwrap() error { return io.ErrUnexpectedEOF }

// Tell tells the format of a file of size bytes by its first bytes, as [Open]
// and [New] do when no format is given. It is an error if they look like records
// saved in a way that cannot be read.
func Tell(r io.ReaderAt, size int64) (Format, error) {
	rd, err := pick(r, size, FormatAuto)
	return rd.format, err
}

// pick returns the reader for a named format, or the one the bytes ask for.
func pick(r io.ReaderAt, size int64, format Format) (reader, error) {
	all := readers()
	if format != FormatAuto {
		for _, rd := range all {
			if rd.format == format {
				return rd, nil
			}
		}
		_, err := ParseFormat(string(format))
		return reader{}, err
	}
	head := make([]byte, min(size, sniffSize))
	if _, err := r.ReadAt(head, 0); err != nil && !errors.Is(err, io.EOF) {
		return reader{}, err
	}
	if wideText(head) {
		return reader{}, errors.New("the file looks like hex records saved as UTF-16 text; save it as plain ASCII, or give the format raw if these are memory bytes")
	}
	for _, rd := range all {
		if rd.sniff(head) {
			return rd, nil
		}
	}
	return reader{}, errors.New("unknown format") // not reached: raw takes everything
}

// byteOrderMark is what some editors put before UTF-8 text.
var byteOrderMark = []byte("\xEF\xBB\xBF")

// sniffRecords reports whether head starts a text of records. It does if the
// first bytes after white space are a record mark and eight hexadecimal digits
// (count, address and type or more address); or if head is plain text and
// either starts with the mark or has a line that starts with a mark and two
// digits. So a damaged record file is still taken for one, and its damage
// reported, instead of being read as raw bytes.
func sniffRecords(head []byte, mark func(line []byte) int) bool {
	text := bytes.TrimLeft(bytes.TrimPrefix(head, byteOrderMark), " \t\r\n")
	if n := mark(text); n > 0 && hexDigits(text[n:]) >= 8 {
		return true
	}
	for _, c := range text {
		if c >= 0x7F || c < ' ' && c != '\t' && c != '\r' && c != '\n' {
			return false
		}
	}
	if mark(text) > 0 {
		return true
	}
	for line := range bytes.FieldsFuncSeq(text, func(c rune) bool { return c == '\r' || c == '\n' }) {
		line = bytes.TrimLeft(line, " \t")
		if n := mark(line); n > 0 && hexDigits(line[n:]) >= 2 {
			return true
		}
	}
	return false
}

// wideText reports whether head is a byte order mark of UTF-16 followed by the
// start of a record, in either byte order.
func wideText(head []byte) bool {
	var order int
	switch {
	case bytes.HasPrefix(head, []byte{0xFF, 0xFE}):
		order = 0
	case bytes.HasPrefix(head, []byte{0xFE, 0xFF}):
		order = 1
	default:
		return false
	}
	var narrow []byte
	for i := 2; i+1 < len(head); i += 2 {
		if head[i+1-order] != 0 {
			break
		}
		narrow = append(narrow, head[i+order])
	}
	return len(narrow) > 0 && (sniffIntelHex(narrow) || sniffSRecord(narrow))
}

func hexDigits(text []byte) int {
	n := 0
	for n < len(text) && isHex(text[n]) {
		n++
	}
	return n
}
