package image

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/bits"
)

// DefaultMaxRaw is the largest raw file that [WriteRaw] writes unless told
// otherwise: 256 MiB. Two bytes far apart would otherwise make a huge file.
const DefaultMaxRaw = 256 << 20

// DefaultRecordLength is the number of data bytes in a record that the writers
// of Intel HEX and S-records use, as most programs do.
const DefaultRecordLength = 16

var errNothing = errors.New("the image holds no bytes; there is nothing to write")

// RawOptions say how to write a raw file. The zero value fills gaps with 0x00;
// erased flash is 0xFF.
type RawOptions struct {
	Range Range  // what to write; empty means the image's bounds
	Fill  byte   // value of the bytes that the image does not hold
	Max   uint64 // largest file in bytes; 0 means DefaultMaxRaw
}

// WriteRaw writes the bytes of im from the first to the last address. It writes
// nothing if the file would be larger than the limit.
func WriteRaw(w io.Writer, im *Image, opts RawOptions) error {
	r, limit := opts.Range, opts.Max
	if r.Size == 0 {
		r = im.Bounds()
	}
	if limit == 0 {
		limit = DefaultMaxRaw
	}
	if r.Size == 0 {
		return errNothing
	}
	if err := checkFits(r.Start, r.Size); err != nil {
		return err
	}
	if r.Size > limit {
		return fmt.Errorf("a raw file of %v would have %d bytes with its gaps filled, above the limit of %d; write part of it, raise the limit, or choose a format with addresses", r, r.Size, limit)
	}
	fill := make([]byte, min(r.Size, blockSize))
	for i := range fill {
		fill[i] = opts.Fill
	}
	at, left := r.Start, r.Size
	pad := func(n uint64) error {
		for n > 0 {
			m := min(n, uint64(len(fill)))
			if _, err := w.Write(fill[:m]); err != nil {
				return err
			}
			at, left, n = at+m, left-m, n-m
		}
		return nil
	}
	for _, s := range im.segments {
		s, ok := s.Intersect(r)
		if !ok {
			continue
		}
		if err := pad(s.Start - at); err != nil {
			return err
		}
		err := im.Blocks(s, func(_ uint64, block []byte) error {
			_, err := w.Write(block)
			return err
		})
		if err != nil {
			return err
		}
		at, left = at+s.Size, left-s.Size
	}
	return pad(left)
}

// recordWriter writes records through one buffer.
type recordWriter struct {
	w   io.Writer
	buf []byte
	end string // of a line
}

// recordBuffer is how many characters are gathered before they are written,
// and recordRoom what the longest record needs with its line end.
const (
	recordBuffer = 64 << 10
	recordRoom   = 528
)

func newRecordWriter(w io.Writer, lineEnd string) (*recordWriter, error) {
	switch lineEnd {
	case "":
		lineEnd = "\n"
	case "\n", "\r\n", "\r":
	default:
		return nil, fmt.Errorf("line end %q is not LF, CR LF or CR", lineEnd)
	}
	return &recordWriter{w: w, end: lineEnd, buf: make([]byte, 0, recordBuffer)}, nil
}

// record adds a record: mark, then the last size bytes of head, big-endian, and
// data as digits, then the checksum, which is the ones' complement of the sum of
// all bytes modulo 256, plus add.
func (r *recordWriter) record(mark string, head uint64, size int, data []byte, add byte) error {
	if cap(r.buf)-len(r.buf) < recordRoom {
		if err := r.flush(); err != nil {
			return err
		}
	}
	at := len(r.buf)
	line := r.buf[at : at+recordRoom]
	n := putString(line, 0, mark)
	taken, sum := encodeBlocks(line[n:], bits.ReverseBytes64(head)>>(64-8*size), size, data)
	n += 2 * (size + taken)
	if rest := data[taken:]; len(rest) > 0 {
		sum += encodeTail(line[n:], rest)
		n += 2 * len(rest)
	}
	binary.LittleEndian.PutUint16(line[n:], hexPairs[^sum+add])
	n = putString(line, n+2, r.end)
	r.buf = r.buf[:at+n]
	return nil
}

// putString copies a string of one or two characters to line[n:], faster than
// copy does, and returns where it ends.
func putString(line []byte, n int, s string) int {
	for i := range len(s) {
		line[n+i] = s[i]
	}
	return n + len(s)
}

func (r *recordWriter) flush() error {
	_, err := r.w.Write(r.buf)
	r.buf = r.buf[:0]
	return err
}

// forRecords calls fn with the bytes of im, a stretch of one or more records at
// a time. Each record has length bytes, but for the last of a stretch, which may
// be shorter where a segment ends or an address is a multiple of window (0: no
// such limit).
func forRecords(im *Image, length int, window uint64, fn func(addr uint64, data []byte) error) error {
	buf := make([]byte, min(im.size, uint64(blockSize-blockSize%length)))
	for _, s := range im.segments {
		for addr, left := s.Start, s.Size; left > 0; {
			n := min(left, uint64(len(buf)))
			if window > 0 {
				n = min(n, window-addr%window)
			}
			if _, err := im.ReadAddr(buf[:n], addr); err != nil {
				return err
			}
			if err := fn(addr, buf[:n]); err != nil {
				return err
			}
			addr, left = addr+n, left-n
		}
	}
	return nil
}

// writableStart returns the start address to write, or nil for none: the one
// given, or else the image's own unless it shall be left out.
func writableStart(im *Image, given *uint64, none bool) (*start, error) {
	switch {
	case given != nil && none:
		return nil, errors.New("both a start address and none are asked for; choose one")
	case given != nil:
		return &start{addr: *given}, nil
	case none:
		return nil, nil
	}
	return im.start, nil
}

// checkReach reports an error if im or a start address does not fit below
// limit, the first address that the records cannot reach.
func checkReach(im *Image, st *start, limit uint64, what string) error {
	if len(im.segments) == 0 {
		return errNothing
	}
	if last := im.segments[len(im.segments)-1].Last(); last >= limit {
		return fmt.Errorf("the image reaches 0x%X, but %s end at 0x%X; move the image, write part of it, or choose wider addresses", last, what, limit-1)
	}
	if st != nil && st.addr >= limit {
		return fmt.Errorf("the start address is 0x%X, but %s end at 0x%X; give another or none", st.addr, what, limit-1)
	}
	return nil
}

// checkRecordLength returns the record length to use, 1 to most.
func checkRecordLength(length, most int) (int, error) {
	if length == 0 {
		return DefaultRecordLength, nil
	}
	if length < 0 || length > most {
		return 0, fmt.Errorf("record length %d is not between 1 and %d", length, most)
	}
	return length, nil
}
