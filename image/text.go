package image

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
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

// Constants for work on eight characters or four bytes at a time, one in each
// byte of a word.
const (
	everyByte  = 0x0101010101010101
	highBits   = 0x80 * everyByte
	everyOther = 0x00FF00FF00FF00FF
)

// decodeHex writes the bytes that the digit pairs of text stand for to dst and
// returns their sum modulo 256. It is false if text holds anything but digits.
// dst needs room for len(text)/2 bytes; the length of text must be even.
func decodeHex(dst, text []byte) (sum byte, ok bool) {
	dst = dst[:len(text)/2]
	sums, good := uint64(0), uint64(highBits) // at most 256/4 bytes are added to each 16-bit part of sums
	for len(text) >= 8 && len(dst) >= 4 {
		x := binary.LittleEndian.Uint64(text)
		// A sum sets the high bit of a byte that is at or above a bound; no
		// byte carries into the next, as those above 0x7F are cut.
		low := x &^ highBits
		letter := low | 0x20*everyByte
		digit := (low + (0x80-'0')*everyByte) &^ (low + (0x80-'9'-1)*everyByte)
		letter = (letter + (0x80-'a')*everyByte) &^ (letter + (0x80-'f'-1)*everyByte)
		good &= (digit | letter) &^ x
		v := x&(0x0F*everyByte) + 9*(x>>6&everyByte) // '0' is 0x30, 'A' 0x41, 'a' 0x61
		v = (v<<4 | v>>8) & everyOther
		sums += v
		v = (v | v>>8) & 0x0000FFFF0000FFFF
		binary.LittleEndian.PutUint32(dst, uint32(v|v>>16))
		text, dst = text[8:], dst[4:]
	}
	sums += sums >> 32
	sums += sums >> 16
	sum = byte(sums)
	var all uint16
	for i := range dst {
		pair := text[2*i : 2*i+2 : 2*i+2]
		v := highDigit[pair[0]] | lowDigit[pair[1]]
		all |= v
		dst[i] = byte(v)
		sum += byte(v)
	}
	return sum, all < noDigit && good == highBits
}

// encodeHex writes the digit pairs of data, upper case, to dst, which needs
// room for 2*len(data) characters, and returns the sum of data modulo 256.
func encodeHex(dst, data []byte) (sum byte) {
	dst = dst[:2*len(data)]
	sums := uint64(0)
	for len(data) >= 4 && len(dst) >= 8 {
		v := uint64(binary.LittleEndian.Uint32(data))
		v = (v | v<<16) & 0x0000FFFF0000FFFF
		v = (v | v<<8) & everyOther
		sums += v
		v = (v>>4 | v<<8) & (0x0F * everyByte)
		letter := (v + 6*everyByte) >> 4 & everyByte // 1 for values above 9
		binary.LittleEndian.PutUint64(dst, v+'0'*everyByte+('A'-'9'-1)*letter)
		data, dst = data[4:], dst[8:]
	}
	sums += sums >> 32
	sums += sums >> 16
	sum = byte(sums)
	const digits = "0123456789ABCDEF"
	for i, b := range data {
		dst[2*i], dst[2*i+1] = digits[b>>4], digits[b&15]
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
