package image

import (
	"io"
	"strings"
)

// Motorola S-records, after appendix C of the "M68000 Family Programmer's
// Reference Manual". A record is
//
//	S type(1 digit) COUNT(1) ADDRESS(2, 3 or 4) DATA CHECKSUM(1)
//
// with every byte as two hexadecimal digits, ADDRESS big-endian, COUNT the
// number of bytes after it, and all bytes summing to 0xFF modulo 256. S6, a
// 24-bit record count, is a later convention. Where the manual is silent, this
// reader:
//   - accepts lower case, LF, CR LF, CR and NUL as line end, blank lines,
//     blanks around a record;
//   - takes a file for one block: a second one after the end record is refused;
//   - accepts data records of several widths if the end record pairs with one of
//     them, and notes it if a wider one is there: published files do that;
//   - takes the address 0 in an end record as no start address;
//   - refuses text before the S of a record.
const (
	srecOverhead = 4   // characters before the address: S, type, count
	srecMaxCount = 255 // bytes after the count
)

// srecAddress is the number of address bytes by type; 0 for S4, which the
// manual does not define.
var srecAddress = [10]int{0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}

func sniffSRecord(head []byte) bool {
	return sniffRecords(head, func(line []byte) int {
		if len(line) > 1 && (line[0] == 'S' || line[0] == 's') && line[1] >= '0' && line[1] <= '9' {
			return 2
		}
		return 0
	})
}

func readSRecord(r io.ReaderAt, size int64, opts Options) (*Image, error) {
	return scanRecords(r, size, opts, FormatSRecord, 0, func(f *recordFile) *Image {
		p := &srecParser{recordFile: f}
		p.scan()
		return &p.head
	})
}

type srecParser struct {
	*recordFile
	head    Image // header and start address
	headers []string
	records int    // S1, S2 and S3 so far, damaged ones too
	widths  [4]int // the same by type
}

func (p *srecParser) scan() {
	p.scanFile(p, recordShape{mark: 's', fold: 0x20, count: 2, overhead: srecOverhead, longest: srecOverhead + 2*srecMaxCount, end: "S7, S8 or S9"})
	p.head.header = strings.Join(p.headers, "\n")
}

// record takes a record without its S if it is sound in itself.
func (p *srecParser) record(text []byte) bool {
	kind := int(text[0]) - '0'
	if kind < 0 || kind > 9 {
		return false
	}
	width := srecAddress[kind]
	if width == 0 || len(text) < 1+2*(1+width+1) {
		return false
	}
	count := p.pairs.pair(text[1:])
	sum, addr := count, uint64(0)
	text = text[3:]
	for range width {
		b := p.pairs.pair(text)
		sum, addr = sum+b, addr<<8|uint64(b)
		text = text[2:]
	}
	body := p.sink.room()
	sum += p.pairs.decode(body, text)
	if sum >= noPair || byte(sum) != 0xFF {
		return false
	}
	data := body[:int(count)-width-1]
	switch kind {
	case 0:
		p.headers = append(p.headers, string(data))
		p.note("header text %q", data)
		if addr != 0 {
			p.note("the address of a header is normally 0000, not %04X; it is ignored", addr)
		}
	case 1, 2, 3:
		p.records++
		p.widths[kind]++
		if limit := uint64(1) << (8 * width); uint64(len(data)) > limit-addr {
			p.probs.add(p.line, p.column+srecOverhead, nil, "%d bytes from 0x%X run past 0x%X, the last address of an S%d record", len(data), addr, limit-1, kind)
			return true
		}
		p.sink.put(p.line, addr, data)
	case 5, 6:
		p.count(kind, int(addr), len(data))
	case 7, 8, 9:
		p.end(kind, addr, len(data))
	}
	return true
}

// count takes an S5 or S6 record: the number of data records so far.
func (p *srecParser) count(kind, said, extra int) {
	switch {
	case extra > 0:
		p.badLength(kind, extra)
	case said != p.records:
		p.probs.add(p.line, p.column+srecOverhead, nil, "the S%d record counts %d data records, but %d came before it; a record is missing or too many", kind, said, p.records)
	}
}

func (p *srecParser) badLength(kind, extra int) {
	p.probs.add(p.line, p.column+2, nil, "bad length: an S%d record holds no data, not %d bytes", kind, extra)
}

// end takes an S7, S8 or S9 record.
func (p *srecParser) end(kind int, addr uint64, extra int) {
	p.endLine = p.line
	if extra > 0 {
		p.badLength(kind, extra)
	}
	paired := 10 - kind // S7 ends S3, S8 ends S2, S9 ends S1
	if p.records > 0 && p.widths[paired] == 0 {
		p.probs.add(p.line, p.column, nil, "S%d ends a file of S%d records, but there are none; the data records are %s", kind, paired, p.dataTypes())
	} else if p.records > p.widths[paired] {
		p.note("the data records are %s, and S%d pairs with S%d only", p.dataTypes(), kind, paired)
	}
	if addr != 0 {
		p.head.start = &start{addr: addr}
		p.note("start address 0x%X", addr)
	}
}

// dataTypes names the types of the data records, such as "S1 and S2".
func (p *srecParser) dataTypes() string {
	var names []string
	for kind, n := range p.widths {
		if n > 0 {
			names = append(names, "S"+string(rune('0'+kind)))
		}
	}
	return strings.Join(names, " and ")
}

func (p *srecParser) tooLong() { p.records++ }

// diagnose takes a line with something on it. It is a good record with blanks
// around it, or one with a mistake, which is reported.
func (p *srecParser) diagnose(line []byte, column int, last bool) {
	if line[0] != 'S' && line[0] != 's' {
		p.probs.add(p.line, column, nil, "a record starts with S, not with %q", line[0])
		return
	}
	var kind int
	switch {
	case len(line) > 1 && line[1] >= '0' && line[1] <= '9':
		kind = int(line[1] - '0')
	case last && len(line) == 1:
		p.probs.add(p.line, column+1, io.ErrUnexpectedEOF, "the last record is cut short after the S")
		return
	default:
		p.probs.add(p.line, column+1, nil, "the S is not followed by a record type, 0 to 9")
		return
	}
	if kind == 4 {
		p.probs.add(p.line, column+1, nil, "S4 records are not defined; if this is a 32-bit data record, its type is S3")
		return
	}
	damaged := func(at int, cause error, format string, args ...any) {
		if kind >= 1 && kind <= 3 {
			p.records++
			p.widths[kind]++
		}
		if kind >= 7 && cause == nil {
			p.endLine = p.line // damaged, but there
		}
		p.probs.add(p.line, column+at, cause, format, args...)
	}
	digits := line[2:]
	if good := hexDigits(digits); good < len(digits) {
		damaged(2+good, nil, "%q is no hexadecimal digit", digits[good])
		return
	}
	n, counted := digitPair(digits)
	width := srecAddress[kind]
	switch want := 2 + 2*n; {
	case last && (!counted || len(digits) < want):
		damaged(len(line), io.ErrUnexpectedEOF, "the last record is cut short: %d characters where its count calls for %d", len(line), 2+want)
	case len(digits)%2 != 0:
		damaged(len(line), nil, "odd number of digits (%d); a digit is missing or too many", len(digits))
	case !counted || len(digits) != want:
		damaged(2, nil, "bad length: the count says %d bytes, which makes %d characters, but the record has %d", n, 2+want, len(line))
	case n < width+1:
		damaged(2, nil, "bad length: the count is %d, but an S%d record has %d address bytes and a checksum", n, kind, width)
	default:
		if p.record(line[1:]) {
			return
		}
		sum, _ := decodeHex(p.data[:], digits)
		is := p.data[n]
		damaged(len(line)-2, nil, "bad checksum %02X; the bytes call for %02X", is, 0xFF-(sum-is))
	}
}
