package readcheck

import (
	"bytes"
	"math"
)

// The headers of the kinds of files, each after the publication that the table
// of kinds names.

// elfFile takes the end of the last header table, segment or section.
func elfFile(d head) (bool, uint64) {
	if !d.has(0, "\x7FELF") {
		return false, 0
	}
	order := little
	if d.u8(5) == 2 {
		order = big
	}
	// A table of headers: where the file header states its offset, the size
	// of an entry and their number, and where an entry states its type, its
	// offset and its size.
	type table struct{ offset, entry, number, typ, from, size int }
	segments, sections, word := table{28, 42, 44, 0, 4, 16}, table{32, 46, 48, 4, 16, 20}, 4
	if d.u8(4) == 2 {
		segments, sections, word = table{32, 54, 56, 0, 8, 32}, table{40, 58, 60, 4, 24, 32}, 8
	}
	const none, noBits = 0, 8 // types of entries that have no bytes in the file
	length := uint64(0)
	for _, t := range []table{segments, sections} {
		at, entry, n := d.number(uint64(t.offset), word, order), d.u16(t.entry, order), d.u16(t.number, order)
		if at == 0 || n == 0 {
			continue
		}
		length = max(length, sum(at, entry*n))
		for range n {
			typ := d.number(sum(at, uint64(t.typ)), 4, order)
			if typ != none && (typ != noBits || t == segments) {
				length = max(length, sum(d.number(sum(at, uint64(t.from)), word, order), d.number(sum(at, uint64(t.size)), word, order)))
			}
			at = sum(at, entry)
		}
	}
	return true, length
}

// sum adds, and stays at the largest number instead of running over.
func sum(a, b uint64) uint64 {
	if a > math.MaxUint64-b {
		return math.MaxUint64
	}
	return a + b
}

// peFile takes the end of the last section.
func peFile(d head) (bool, uint64) {
	at := int(d.u32(0x3C, little))
	if !d.has(0, "MZ") || !d.has(at, "PE\x00\x00") {
		return false, 0
	}
	length, section := uint64(0), uint64(at)+24+d.u16(at+20, little)
	for range d.u16(at+6, little) {
		size, from := d.number(section+16, 4, little), d.number(section+20, 4, little)
		if size > 0 {
			length = max(length, from+size)
		}
		section += 40
	}
	return true, length
}

// gzipFile looks at the flags and at what the compressor says of itself, too:
// three bytes may stand at the beginning of anything.
func gzipFile(d head) (bool, uint64) {
	flags, extra, system := d.u8(3), d.u8(8), d.u8(9)
	return d.has(0, "\x1F\x8B\x08") && flags&0xE0 == 0 && (extra == 0 || extra == 2 || extra == 4) && (system <= 13 || system == 255), 0
}

// jpegFile follows the first segment to the next.
func jpegFile(d head) (bool, uint64) {
	next := 4 + d.u16(4, big)
	return d.has(0, "\xFF\xD8\xFF") && d.u8(3) >= 0xC0 && d.u16(4, big) >= 2 && d.u8(int(next)) == 0xFF, 0
}

// tarFile adds up the first header, in which the sum itself counts as blanks.
func tarFile(d head) (bool, uint64) {
	const header, sum, digits = 512, 148, 8
	if !d.has(257, "ustar") || len(d) < header {
		return false, 0
	}
	total, stated := uint64(digits*' '), uint64(0)
	for i, b := range d[:header] {
		if i < sum || i >= sum+digits {
			total += uint64(b)
		} else if b >= '0' && b <= '7' {
			stated = stated<<3 + uint64(b-'0')
		}
	}
	return total == stated, 0
}

// pngFile follows the chunks to the last one.
func pngFile(d head) (bool, uint64) {
	if !d.has(0, "\x89PNG\r\n\x1A\n") {
		return false, 0
	}
	at := uint64(8)
	for at+12 <= uint64(len(d)) {
		last := d.has(int(at)+4, "IEND")
		at += 12 + d.number(at, 4, big)
		if last {
			return true, at
		}
	}
	return true, max(at, uint64(len(d))+1)
}

// tiffFile looks for the first directory too, which lies in the file.
func tiffFile(d head) (bool, uint64) {
	order := little
	if d.has(0, "MM\x00\x2A") {
		order = big
	} else if !d.has(0, "II\x2A\x00") {
		return false, 0
	}
	at := d.u32(4, order)
	n := d.number(at, 2, order) // entries
	return at >= 8 && n > 0 && n < 200, 0
}

func bmpFile(d head) (bool, uint64) {
	length, pixels, info := d.u32(2, little), d.u32(10, little), d.u32(14, little)
	return d.has(0, "BM") && d.u32(6, little) == 0 && pixels >= 14+info && pixels < length && info >= 12 && info <= 124, length
}

// iffFile takes the length of the one chunk that is the file.
func iffFile(d head) (bool, uint64) {
	return d.has(0, "FORM"), 8 + d.u32(4, big)
}

// beamFile is an IFF file whose chunk has another name.
func beamFile(d head) (bool, uint64) {
	return d.has(0, "FOR1") && d.has(8, "BEAM"), 8 + d.u32(4, big)
}

// iconFile takes the end of the last picture.
func iconFile(d head) (bool, uint64) {
	n := d.u16(4, little)
	if !d.has(0, "\x00\x00\x01\x00") || n == 0 || n > 64 {
		return false, 0
	}
	const entries, entry = 6, 16
	length := uint64(0)
	for i := range int(n) {
		at := entries + entry*i
		size, from := d.u32(at+8, little), d.u32(at+12, little)
		if d.u8(at+3) != 0 || d.u16(at+4, little) > 1 || d.u16(at+6, little) > 32 || size == 0 || from < entries+entry*n {
			return false, 0
		}
		if picture := int(min(from, uint64(len(d)))); i == 0 && !d.has(picture, "\x89PNG") && d.u32(picture, little) != 40 {
			return false, 0
		}
		length = max(length, from+size)
	}
	return true, length
}

// cpioFile knows the archives of numbers in text, and the older ones of binary
// numbers by the name of the first file in them, which must end in a 0.
func cpioFile(d head) (bool, uint64) {
	if d.has(0, "070701") || d.has(0, "070702") || d.has(0, "070707") {
		return true, 0
	}
	const magic, header = 0o070707, 26
	size := int(d.u16(20, little))
	if d.u16(0, little) != magic || size < 2 || size > 256 || header+size > len(d) || d[header+size-1] != 0 {
		return false, 0
	}
	for _, b := range d[header : header+size-1] {
		if b < 0x20 {
			return false, 0
		}
	}
	return true, 0
}

// metricFile takes the length that the first of twelve lengths states, all of
// which must add up.
func metricFile(d head) (bool, uint64) {
	const word = 4
	var field [12]uint64
	for i := range field {
		field[i] = d.u16(2*i, big)
	}
	first, last := field[2], field[3] // characters
	if field[0] == 0 || first > last+1 || last > 255 || field[1] < 2 {
		return false, 0
	}
	total := 6 + field[1] + (last - first + 1)
	for _, n := range field[4:] {
		total += n
	}
	return total == field[0], word * field[0]
}

func riffFile(d head) (bool, uint64) {
	for i := 8; i < 12; i++ {
		if b := d.u8(i); b < ' ' || b > '~' {
			return false, 0
		}
	}
	return d.has(0, "RIFF"), 8 + d.u32(4, little)
}

// fontFile takes the end of the last table. The first four bytes are often
// 00 01 00 00, as a memory may begin too; the fields that follow from the
// number of tables tell.
func fontFile(d head) (bool, uint64) {
	n := d.u16(4, big)
	search, entries := uint64(1), uint64(0)
	for search*2 <= n {
		search *= 2
		entries++
	}
	if !d.has(0, "\x00\x01\x00\x00") && !d.has(0, "OTTO") && !d.has(0, "true") ||
		n == 0 || d.u16(6, big) != 16*search || d.u16(8, big) != entries || d.u16(10, big) != 16*(n-search) {
		return false, 0
	}
	length := 12 + 16*n
	for i := range int(n) {
		length = max(length, d.u32(12+16*i+8, big)+d.u32(12+16*i+12, big))
	}
	return true, length
}

func woffFile(d head) (bool, uint64) {
	return d.has(0, "wOFF") || d.has(0, "wOF2"), d.u32(8, big)
}

// catalogueFile takes the end of the last string.
func catalogueFile(d head) (bool, uint64) {
	order := little
	switch {
	case d.has(0, "\xDE\x12\x04\x95"):
	case d.has(0, "\x95\x04\x12\xDE"):
		order = big
	default:
		return false, 0
	}
	length := uint64(28)
	n := min(d.u32(8, order), uint64(len(d))/8)
	for _, table := range []uint64{d.u32(12, order), d.u32(16, order)} {
		length = max(length, table+8*n)
		for i := range n {
			size, from := d.number(table+8*i, 4, order), d.number(table+8*i+4, 4, order)
			length = max(length, from+size+1) // a zero follows each string
		}
	}
	return true, length
}

// typeOneFile takes a font with or without the lengths of its segments.
func typeOneFile(d head) (bool, uint64) {
	const plain = "%!PS-AdobeFont-1."
	return d.has(0, plain) || d.has(0, "\x80\x01") && d.has(6, plain), 0
}

// uf2File takes the number of blocks of 512 bytes.
func uf2File(d head) (bool, uint64) {
	const block = 512
	return d.has(0, "UF2\n\x57\x51\x5D\x9E") && d.has(block-4, "\x30\x6F\xB1\x0A"), block * d.u32(24, little)
}

// discFile takes the size of the volume.
func discFile(d head) (bool, uint64) {
	const primary = 16 * 2048 // volume descriptor
	if !d.has(primary, "\x01CD001\x01") {
		return false, 0
	}
	return true, d.u32(primary+80, little) * d.u16(primary+128, little)
}

// databaseFile takes the number of pages, if the library that wrote the file
// last keeps it.
func databaseFile(d head) (bool, uint64) {
	if !d.has(0, "SQLite format 3\x00") {
		return false, 0
	}
	page := d.u16(16, big)
	if page == 1 {
		page = 65536
	}
	if d.u32(24, big) != d.u32(92, big) {
		return true, 0
	}
	return true, page * d.u32(28, big)
}

func devicetreeFile(d head) (bool, uint64) {
	version := d.u32(20, big)
	return d.has(0, "\xD0\x0D\xFE\xED") && version >= 1 && version <= 17, d.u32(4, big)
}

// devicetreeAtEnd looks for a blob that ends where the file does.
func devicetreeAtEnd(d head) (bool, uint64) {
	for at := 0; ; at += 4 {
		i := bytes.Index(d[min(at, len(d)):], []byte("\xD0\x0D\xFE\xED"))
		if i < 0 {
			return false, 0
		}
		at += i
		if ok, length := devicetreeFile(d[at:]); ok && length == uint64(len(d)-at) {
			return true, uint64(len(d))
		}
	}
}

// firmwareSuffix looks for the suffix of 16 bytes.
func firmwareSuffix(d head) (bool, uint64) {
	return d.has(len(d)-8, "UFD\x10"), uint64(len(d))
}

// biosProgram looks for a far jump into the first sector at 0x7C00.
func biosProgram(d head) (bool, uint64) {
	const loaded, sector = 0x7C00, 512
	to := d.number(3, 2, little)<<4 + d.number(1, 2, little)
	return d.u8(0) == 0xEA && to >= loaded && to < loaded+sector, 0
}

func uBootFile(d head) (bool, uint64) {
	const header = 64
	return d.has(0, "\x27\x05\x19\x56"), header + d.u32(12, big)
}

// optionROM follows the images of a ROM to the last one. One without the PCI
// structure is taken for an option ROM only if its bytes add up to zero, which
// they must.
func optionROM(d head) (bool, uint64) {
	const unit = 512
	at := 0
	for at < len(d) && d.has(at, "\x55\xAA") {
		pci := at + int(d.u16(at+0x18, little))
		if !d.has(pci, "PCIR") {
			break
		}
		size := d.u16(pci+0x10, little)
		at += unit * int(size)
		if size == 0 || d.u8(pci+0x15)&0x80 != 0 {
			return true, uint64(at)
		}
	}
	if at > 0 {
		return true, uint64(at)
	}
	size := unit * int(d.u8(2))
	if !d.has(0, "\x55\xAA") || size == 0 || size > len(d) {
		return false, 0
	}
	total := byte(0)
	for _, b := range d[:size] {
		total += b
	}
	return total == 0, uint64(size)
}

func firmwareVolume(d head) (bool, uint64) {
	const word = 2
	sum, length := uint64(0), d.u16(48, little)
	for i := 0; i < int(length); i += word {
		sum += d.u16(i, little)
	}
	return d.has(40, "_FVH") && length >= 56 && sum&0xFFFF == 0, d.number(32, 8, little)
}

// acpiTable takes the tables that stand in files of their own.
func acpiTable(d head) (bool, uint64) {
	return (d.has(0, "DSDT") || d.has(0, "SSDT")) && d.u32(4, little) >= 36, d.u32(4, little)
}

func bootFile(d head) (bool, uint64) {
	if !d.has(0x1FE, "\x55\xAA") || !d.has(0x202, "HdrS") {
		return false, 0
	}
	size := d.u32(0x1F4, little)
	if size == 0 {
		return true, 0
	}
	sectors := d.u8(0x1F1)
	if sectors == 0 {
		sectors = 4
	}
	const paragraph = 16 // unit of the size, which is rounded up
	return true, (sectors+1)*512 + size*paragraph - (paragraph - 1)
}

// ownLength looks in the first bytes for the length of the file, or for that of
// all that follows it. A round one is the size of a memory, and may stand there
// for other reasons.
func ownLength(d head) (bool, uint64) {
	n := uint64(len(d))
	if memorySize(len(d)) {
		return false, 0
	}
	for at := 0; at < 64; at += 4 {
		if d.u32(at, little) == n || d.u32(at, big) == n {
			return true, n
		}
	}
	if n < 4096 { // where most numbers are small, such places are many
		return false, 0
	}
	for at := range uint64(128) {
		if rest := n - at - 4; at+4 < n && (d.number(at, 4, little) == rest || d.number(at, 4, big) == rest) {
			return true, n
		}
	}
	return false, 0
}
