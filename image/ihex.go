package image

import (
	"encoding/binary"
	"io"
)

// Intel HEX, after Intel's "Hexadecimal Object File Format Specification",
// revision A, 6 January 1988. A record is
//
//	: RECLEN(1) OFFSET(2) RECTYP(1) DATA(RECLEN) CHKSUM(1)
//
// with every byte as two hexadecimal digits, OFFSET big-endian, and all bytes
// summing to 0 modulo 256. Where the specification is silent, this reader:
//   - accepts lower case, LF, CR LF and CR, blank lines, blanks around a record;
//   - lets the latest type 02 or 04 record say how addresses are formed, and
//     notes it when a base of the other kind is still in force, as some programs
//     then add both;
//   - refuses a data record that runs past 0xFFFF before any base record, since
//     the two kinds of addressing continue it differently;
//   - refuses anything after the end record.
const (
	ihexData          = 0x00
	ihexEnd           = 0x01
	ihexSegment       = 0x02 // segment base: value * 16, offsets wrap in 64 KiB
	ihexStartSegment  = 0x03 // CS, IP
	ihexLinear        = 0x04 // linear base: value * 65536, addresses wrap in 4 GiB
	ihexStartLinear   = 0x05 // EIP
	ihexOverhead      = 11   // characters of a record without data
	ihexMaxData       = 255
	addressLimit      = 1 << 32 // first address no record reaches, here and in S-records
	ihexSegmentedSize = 1 << 16
)

func sniffIntelHex(head []byte) bool {
	return sniffRecords(head, func(line []byte) int {
		if len(line) > 0 && line[0] == ':' {
			return 1
		}
		return 0
	})
}

func readIntelHex(r io.ReaderAt, size int64, opts Options) (*Image, error) {
	return scanRecords(r, size, opts, FormatIntelHex, '\n', func(f *recordFile) *Image {
		p := &ihexParser{recordFile: f}
		p.scan()
		return &p.head
	})
}

// addressing is how the address of a byte is formed.
type addressing int

const (
	addressing16        addressing = iota // no base record yet
	addressingSegmented                   // after type 02
	addressingLinear                      // after type 04
)

type ihexParser struct {
	*recordFile
	head            Image // header and start address
	mode            addressing
	segment, linear uint64 // bases in force
	notedBoth       bool
}

func (p *ihexParser) scan() {
	p.scanFile(p, recordShape{mark: ':', count: 1, overhead: ihexOverhead, longest: ihexOverhead + 2*ihexMaxData, end: ":00000001FF"})
}

// record takes a record without its colon if it is sound in itself.
func (p *ihexParser) record(digits []byte) bool {
	t := p.pairs
	n, high, low, kind := t.pair(digits), t.pair(digits[2:]), t.pair(digits[4:]), t.pair(digits[6:])
	body := p.sink.room()
	sum := n + high + low + kind + t.decode(body, digits[8:])
	if sum >= noPair || byte(sum) != 0 {
		return false
	}
	offset := uint16(high<<8 | low)
	if data := body[:n]; kind == ihexData {
		p.place(offset, data)
	} else {
		p.control(byte(kind), offset, data)
	}
	return true
}

// place gives the bytes of a data record to the sink, in two pieces if they
// wrap.
func (p *ihexParser) place(offset uint16, data []byte) {
	base, limit := p.linear, uint64(addressLimit)
	addr := base + uint64(offset)
	switch p.mode {
	case addressing16:
		if int(offset)+len(data) > ihexSegmentedSize {
			p.probs.add(p.line, p.column+3, nil, "%d bytes from 0x%04X run past 0xFFFF, but no type 02 or 04 record before says how addresses go on", len(data), offset)
			return
		}
	case addressingSegmented:
		base = p.segment
		addr, limit = base+uint64(offset), base+ihexSegmentedSize
	case addressingLinear:
		base = 0
	}
	if p.segment != 0 && p.linear != 0 && !p.notedBoth {
		p.notedBoth = true
		p.note("segment base 0x%X and linear base 0x%X are both in force; the later record counts here, while some programs add them", p.segment, p.linear)
	}
	fits := min(uint64(len(data)), limit-addr)
	p.sink.put(p.line, addr, data[:fits])
	if fits < uint64(len(data)) {
		p.note("the record wraps: its bytes from number %d on go to 0x%X", fits+1, base)
		p.sink.put(p.line, base, data[fits:])
	}
}

// ihexLengths are the lengths that types other than data must have.
var ihexLengths = map[byte]int{ihexEnd: 0, ihexSegment: 2, ihexStartSegment: 4, ihexLinear: 2, ihexStartLinear: 4}

// control takes a record that is no data.
func (p *ihexParser) control(kind byte, offset uint16, data []byte) {
	want, known := ihexLengths[kind]
	if !known {
		p.unsure = true
		p.probs.add(p.line, p.column+7, nil, "record type %02X is unknown; the types are 00 to 05", kind)
		return
	}
	if len(data) != want {
		p.unsure = true
		p.probs.add(p.line, p.column+1, nil, "bad length: a type %02X record holds %d bytes, not %d", kind, want, len(data))
		return
	}
	if offset != 0 {
		p.note("the offset of a type %02X record should be 0000, not %04X; it is ignored", kind, offset)
	}
	switch kind {
	case ihexEnd:
		p.endLine = p.line
	case ihexSegment:
		p.mode, p.segment = addressingSegmented, uint64(binary.BigEndian.Uint16(data))<<4
	case ihexLinear:
		p.mode, p.linear = addressingLinear, uint64(binary.BigEndian.Uint16(data))<<16
	case ihexStartSegment:
		cs, ip := binary.BigEndian.Uint16(data), binary.BigEndian.Uint16(data[2:])
		p.head.start = &start{addr: uint64(cs)<<4 + uint64(ip), segmented: true, cs: cs, ip: ip}
		p.note("start address CS:IP %04X:%04X, which is 0x%X", cs, ip, p.head.start.addr)
	case ihexStartLinear:
		p.head.start = &start{addr: uint64(binary.BigEndian.Uint32(data))}
		p.note("start address 0x%X", p.head.start.addr)
	}
}

func (p *ihexParser) tooLong() { p.unsure = true }

// diagnose takes a line with something on it. It is a good record with blanks
// around it, or one with a mistake, which is reported.
func (p *ihexParser) diagnose(line []byte, column int, last bool) {
	if line[0] != ':' {
		p.unsure = true
		p.probs.add(p.line, column, nil, "a record starts with a colon, not with %q", line[0])
		return
	}
	digits := line[1:]
	bad := hexDigits(digits)
	if bad < len(digits) {
		p.unsure = p.unsure || !dataDigits(digits[:bad], 6)
		p.probs.add(p.line, column+1+bad, nil, "%q is no hexadecimal digit", digits[bad])
		return
	}
	n, counted := digitPair(digits)
	want := ihexOverhead - 1 + 2*n
	switch {
	case last && (!counted || len(digits) < want):
		p.unsure = p.unsure || !dataDigits(digits, 6)
		p.probs.add(p.line, column+len(line), io.ErrUnexpectedEOF, "the last record is cut short: %d characters where its length calls for %d", len(line), 1+want)
	case len(digits)%2 != 0:
		p.unsure = p.unsure || !dataDigits(digits, 6)
		p.probs.add(p.line, column+len(line), nil, "odd number of digits (%d); a digit is missing or too many", len(digits))
	case !counted || len(digits) != want:
		p.unsure = p.unsure || !dataDigits(digits, 6)
		p.probs.add(p.line, column+1, nil, "bad length: the record says %d data bytes, which makes %d characters, but has %d", n, 1+want, len(line))
	default:
		if p.record(digits) {
			return
		}
		sum, _ := decodeHex(p.data[:], digits)
		is := p.data[n+4]
		p.unsure = p.unsure || p.data[3] != ihexData
		p.probs.add(p.line, column+len(line)-2, nil, "bad checksum %02X; the bytes call for %02X", is, is-sum)
	}
}

// dataDigits reports whether the type digits at index at of a damaged record
// say that it is data.
func dataDigits(digits []byte, at int) bool {
	kind, ok := digitPair(digits[min(at, len(digits)):])
	return ok && kind == ihexData
}
