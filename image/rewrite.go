package image

import (
	"bufio"
	"cmp"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
)

// WritePatched writes the file that im was read from with the bytes of
// segments changed and everything else as it was: in Intel HEX and S-record
// files the order of records, their lengths, line ends, the case of digits and
// records that hold no data stay, and only the digits of changed bytes and the
// checksums of their records differ. An address that several records give is
// changed in all of them.
//
// im must come from [Open] or [New]; a view of it or an image made in memory
// has no file of its own. im must hold every byte of segments.
func WritePatched(w io.Writer, im *Image, segments ...Segment) error {
	if im.file == nil {
		return errors.New("write patched file: the image was not read from a file; write it in a format of its own")
	}
	over, err := FromSegments(segments...)
	if err != nil {
		return fmt.Errorf("write patched file: %w", err)
	}
	for _, r := range over.segments {
		if gaps := im.Gaps(r); len(gaps) > 0 {
			return fmt.Errorf("write patched file: %w", &GapError{Want: r, Addr: gaps[0].Start})
		}
	}
	switch im.format {
	case FormatIntelHex:
		return rewriteRecords(w, im, over, '\n', rewriteIntelHex, func(f *recordFile) { (&ihexParser{recordFile: f}).scan() })
	case FormatSRecord:
		return rewriteRecords(w, im, over, 0, rewriteSRecord, func(f *recordFile) { (&srecParser{recordFile: f}).scan() })
	}
	return rewriteBinary(w, im, over)
}

// rewriteBinary writes a file whose bytes lie in it as they are.
func rewriteBinary(w io.Writer, im, over *Image) error {
	type piece struct {
		off  int64 // in the file
		addr uint64
		size uint64
	}
	var pieces []piece
	for _, c := range im.chunks {
		for _, r := range over.segments {
			if both, ok := c.Intersect(r); ok {
				pieces = append(pieces, piece{c.off + int64(both.Start-c.Start), both.Start, both.Size})
			}
		}
	}
	slices.SortFunc(pieces, func(a, b piece) int { return cmp.Compare(a.off, b.off) })
	at := int64(0)
	for _, p := range pieces {
		if p.off < at {
			return fmt.Errorf("write patched file: two load segments share the byte for address 0x%X, so it cannot be changed alone", p.addr)
		}
		if _, err := io.Copy(w, io.NewSectionReader(im.file, at, p.off-at)); err != nil {
			return err
		}
		data, err := over.Bytes(Range{p.addr, p.size})
		if err != nil {
			return err
		}
		if _, err := w.Write(data); err != nil {
			return err
		}
		at = p.off + int64(p.size)
	}
	_, err := io.Copy(w, io.NewSectionReader(im.file, at, im.fileSize-at))
	return err
}

// lineChange is bytes to be changed in the data of one record.
type lineChange struct {
	at   int // bytes into the data
	data []byte
}

// changeSink notes which records hold bytes of over.
type changeSink struct {
	scratch
	over  *Image
	lines map[int][]lineChange
	line  int // of the last record
	used  int // its bytes so far: one that wraps comes in two pieces
	err   error
}

func (s *changeSink) put(line int, addr uint64, data []byte) {
	if line != s.line {
		s.line, s.used = line, 0
	}
	record := Range{addr, uint64(len(data))}
	for _, r := range s.over.segments {
		both, ok := record.Intersect(r)
		if !ok {
			continue
		}
		bytes, err := s.over.Bytes(both)
		s.err = errors.Join(s.err, err)
		s.lines[line] = append(s.lines[line], lineChange{s.used + int(both.Start-addr), bytes})
	}
	s.used += len(data)
}

// rewriteRecords walks the text twice: once to find the records that hold
// bytes of over, once to copy it line by line.
func rewriteRecords(w io.Writer, im, over *Image, extraEnd byte, rewrite func(line []byte, changes []lineChange), scan func(f *recordFile)) error {
	sink := &changeSink{over: over, lines: map[int][]lineChange{}}
	f := newRecordFile(im.file, im.fileSize, extraEnd, sink, &problems{})
	scan(f)
	if err := errors.Join(f.err, sink.err); err != nil {
		return fmt.Errorf("write patched file: %w", err)
	}
	s := newTextScanner(im.file, im.fileSize, extraEnd)
	out := bufio.NewWriterSize(w, recordBuffer)
	if _, err := out.Write(s.buf[:s.pos]); err != nil { // a byte order mark
		return err
	}
	for {
		rest := s.rest()
		if len(rest) == 0 {
			break
		}
		number := s.line
		line, _ := s.text()
		whole := slices.Clone(line)
		if changes := sink.lines[number]; changes != nil {
			rewrite(whole, changes)
			delete(sink.lines, number)
		}
		if n := len(line); n < len(rest) && s.ends[rest[n]] {
			whole = append(whole, rest[n:n+s.lineEnd(rest[n:])]...)
		}
		s.pos += len(whole)
		if _, err := out.Write(whole); err != nil {
			return err
		}
	}
	if s.err != nil {
		return fmt.Errorf("write patched file: %w", s.err)
	}
	return out.Flush()
}

// rewriteIntelHex changes data in a line that holds a good record.
func rewriteIntelHex(line []byte, changes []lineChange) {
	text, _ := trim(line)
	record := text[1:]
	sum := patchDigits(record, 8, changes)
	putDigits(record[len(record)-2:], []byte{-sum}, lowerCase(line))
}

// rewriteSRecord does the same for an S1, S2 or S3 record.
func rewriteSRecord(line []byte, changes []lineChange) {
	text, _ := trim(line)
	record := text[2:]
	sum := patchDigits(record, 2+2*srecAddress[text[1]-'0'], changes)
	putDigits(record[len(record)-2:], []byte{^sum}, lowerCase(line))
}

// patchDigits puts changes into the digits of a record, whose data starts at
// digit first, and returns the sum of its bytes without the last, the checksum.
func patchDigits(record []byte, first int, changes []lineChange) byte {
	lower := lowerCase(record)
	for _, c := range changes {
		putDigits(record[first+2*c.at:], c.data, lower)
	}
	var buf [maxRecord]byte
	sum, _ := decodeHex(buf[:], record[:len(record)-2])
	return sum
}

func putDigits(dst, data []byte, lower bool) {
	if lower {
		hex.Encode(dst, data)
		return
	}
	encodeHex(dst, data)
}

// lowerCase reports whether the hexadecimal digits of a line are lower case.
func lowerCase(line []byte) bool {
	for _, c := range line {
		if c >= 'a' && c <= 'f' {
			return true
		}
	}
	return false
}

// Trace tells where a rearranged view of im takes its bytes from: for each
// address of the view that arrange makes, the address in im. arrange must only
// move bytes, such as [Image.Swap] and [Image.Split] do.
//
// It asks the arrangement itself: eight images shaped like im, the k-th holding
// byte k of every address, are rearranged the same way and read.
func (im *Image) Trace(arrange func(*Image) (*Image, error), addrs []uint64) ([]uint64, error) {
	from := make([]uint64, len(addrs))
	for k := range 8 {
		chunks := make([]chunk, len(im.chunks))
		for i, c := range im.chunks {
			chunks[i] = chunk{c.Range, addressByte(8 * k), int64(c.Start)}
		}
		plane, err := newImage(im.format, chunks)
		if err != nil {
			return nil, err
		}
		view, err := arrange(plane)
		if err != nil {
			return nil, fmt.Errorf("trace bytes: %w", err)
		}
		for i, addr := range addrs {
			var b [1]byte
			if _, err := view.ReadAddr(b[:], addr); err != nil {
				return nil, fmt.Errorf("trace bytes: %w", err)
			}
			from[i] |= uint64(b[0]) << (8 * k)
		}
	}
	return from, nil
}

// addressByte is a source whose byte at offset a is a byte of a: the one that
// starts at this bit.
type addressByte uint

func (k addressByte) ReadAt(p []byte, off int64) (int, error) {
	for i := range p {
		p[i] = byte((uint64(off) + uint64(i)) >> k)
	}
	return len(p), nil
}
