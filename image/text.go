package image

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"sync"
)

// window is how many bytes after the current position textScanner keeps at
// hand: more than the longest record with its line end (521 + 2 characters).
const window = 1024

// scanBuffer is the size of the buffer. Small enough to stay in the cache, it
// keeps reads of the file long.
const scanBuffer = 64 << 10

// textScanner walks a text of records through one buffer of fixed size. Lines
// end with LF, CR LF or CR.
type textScanner struct {
	r    io.ReaderAt
	off  int64 // where in r the next fill starts
	size int64 // length of the text
	buf  []byte
	pos  int // start of the current line in buf
	line int // 1-based number of the current line
	ends [256]bool
	err  error // of reading r
}

// newTextScanner starts at the first line. extraEnd is one more character that
// ends a line, or '\n' for none.
func newTextScanner(r io.ReaderAt, size int64, extraEnd byte) *textScanner {
	s := &textScanner{r: r, size: size, line: 1, buf: make([]byte, 0, min(size, scanBuffer))}
	s.ends['\r'], s.ends['\n'], s.ends[extraEnd] = true, true, true
	s.fill()
	if bytes.HasPrefix(s.buf, byteOrderMark) {
		s.pos = len(byteOrderMark)
	}
	return s
}

// fill moves the rest of the buffer to its front and reads on.
func (s *textScanner) fill() {
	n := copy(s.buf, s.buf[s.pos:])
	s.pos = 0
	s.buf = s.buf[:n]
	room := s.buf[n:cap(s.buf)]
	if left := s.size - s.off; int64(len(room)) > left {
		room = room[:left]
	}
	for len(room) > 0 && s.err == nil {
		m, err := s.r.ReadAt(room, s.off)
		s.buf = s.buf[:len(s.buf)+m]
		s.off += int64(m)
		room = room[m:]
		if len(room) > 0 && err != nil {
			if errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF
			}
			s.err = err
		}
	}
}

// rest returns the text from the current position on: at least window bytes,
// or all there is. It is empty at the end of the text or when reading failed.
func (s *textScanner) rest() []byte {
	if len(s.buf)-s.pos < window && s.off < s.size && s.err == nil {
		s.fill()
	}
	if s.err != nil {
		return nil
	}
	return s.buf[s.pos:]
}

// skip moves past n characters of the current line and its line end.
func (s *textScanner) skip(n int) {
	s.pos += n
	if text := s.rest(); len(text) > 0 {
		s.pos += s.lineEnd(text)
	}
}

// lineEnd returns the length of the line end at the start of text and counts
// the line.
func (s *textScanner) lineEnd(text []byte) int {
	s.line++
	if text[0] == '\r' && len(text) > 1 && text[1] == '\n' {
		return 2
	}
	return 1
}

// text returns the current line without its end; long is set if only the first
// window characters of a longer line are returned.
func (s *textScanner) text() (line []byte, long bool) {
	rest := s.rest()
	for i, c := range rest[:min(len(rest), window)] {
		if s.ends[c] {
			return rest[:i], false
		}
	}
	return rest[:min(len(rest), window)], len(rest) > window
}

// skipLong moves past a line longer than window.
func (s *textScanner) skipLong() {
	for {
		text := s.rest()
		if len(text) == 0 {
			return
		}
		for i, c := range text {
			if s.ends[c] {
				s.skip(i)
				return
			}
		}
		s.pos += len(text)
	}
}

// atLastLine reports whether nothing but a line of n characters is left: the
// text stops there without a line end.
func (s *textScanner) atLastLine(n int) bool { return s.off >= s.size && s.pos+n >= len(s.buf) }

// Hexadecimal digits by character. A character that is none has noDigit set.
const noDigit = 0x100

var lowDigit, highDigit = digitTables()

func digitTables() (low, high [256]uint16) {
	for c := range low {
		low[c], high[c] = noDigit, noDigit
	}
	for i, c := range []byte("0123456789ABCDEFabcdef") {
		v := uint16(i)
		if i > 15 {
			v -= 6
		}
		low[c], high[c] = v, v<<4
	}
	return low, high
}

func isHex(c byte) bool { return lowDigit[c] != noDigit }

// pairTable holds the bytes that two characters stand for, by the characters as
// a little-endian number. Of its 256 KiB the pairs of digits are but 2 KiB,
// which stay in the cache.
type pairTable [1 << 16]uint32

// noPair is in a pairTable for two characters that are not both digits: more
// than the sum of all bytes of a record.
const noPair = 1 << 20

// digitPairs returns the table, made when first asked for.
var digitPairs = sync.OnceValue(func() *pairTable {
	var t pairTable
	for i := range t {
		t[i] = noPair
	}
	const digits = "0123456789ABCDEFabcdef"
	for _, high := range []byte(digits) {
		for _, low := range []byte(digits) {
			t[int(low)<<8|int(high)] = uint32(highDigit[high] | lowDigit[low])
		}
	}
	return &t
})

// pair returns the byte that the first two characters of text stand for, or
// noPair.
func (t *pairTable) pair(text []byte) uint32 { return t[binary.LittleEndian.Uint16(text)] }

// decode writes the bytes that the digit pairs of text stand for to dst and
// returns their sum, which is noPair or more if text holds anything but digits.
// dst needs room for len(text)/2 bytes; the length of text must be even, and at
// most that of a record.
func (t *pairTable) decode(dst, text []byte) (sum uint32) {
	dst = dst[:len(text)/2]
	for len(text) >= 32 && len(dst) >= 16 { // known lengths need no check inside
		in, out := (*[32]byte)(text), (*[16]byte)(dst)
		for i := range out {
			v := t.pair(in[2*i:])
			out[i] = byte(v)
			sum += v
		}
		text, dst = text[32:], dst[16:]
	}
	for i := range dst {
		v := t.pair(text[2*i:])
		dst[i] = byte(v)
		sum += v
	}
	return sum
}

// decodeHex is decode with the sum modulo 256, and false if text holds anything
// but digits.
func decodeHex(dst, text []byte) (sum byte, ok bool) {
	s := digitPairs().decode(dst, text)
	return byte(s), s < noPair
}

// hexPairs are the two digits of a byte, upper case, as a little-endian number.
var hexPairs = func() (pairs [256]uint16) {
	const digits = "0123456789ABCDEF"
	for b := range pairs {
		pairs[b] = uint16(digits[b>>4]) | uint16(digits[b&15])<<8
	}
	return pairs
}()

// encodeHex writes the digit pairs of data, upper case, to dst, which needs
// room for 2*len(data) characters, and returns the sum of data modulo 256.
func encodeHex(dst, data []byte) (sum byte) {
	dst = dst[:2*len(data)]
	n, sum := encodeBlocks(dst, 0, 0, data)
	return sum + encodeTail(dst[2*n:], data[n:])
}

// encodeTail is encodeHex for a few bytes.
func encodeTail(dst, data []byte) (sum byte) {
	for i, b := range data {
		binary.LittleEndian.PutUint16(dst[2*i:], hexPairs[b])
		sum += b
	}
	return sum
}

// digitPair returns the byte at the start of text, or false if there are no
// two digits.
func digitPair(text []byte) (int, bool) {
	if len(text) < 2 {
		return 0, false
	}
	v := highDigit[text[0]] | lowDigit[text[1]]
	return int(v), v < noDigit
}
