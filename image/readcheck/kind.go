package readcheck

import (
	"bytes"
	"encoding/binary"
	"math"
)

// kind is a kind of file that says itself what it is. Such a file is no memory
// of a controller, so its size means nothing but what its own header says.
type kind struct {
	name string

	// look reports whether data begins as a file of the kind does, and how
	// many bytes the file's own header says it has, 0 if it does not say.
	look func(data head) (ok bool, length uint64)

	padded bool // any amount of padding may follow the file
	memory bool // a memory may begin with such a file, and hold nothing else
}

// kinds is a small table of our own: what is wanted here is the length that a
// header states, which libraries that tell files by their first bytes do not
// read, and no signature so short that a memory may begin with it by chance.
// Each row names the publication it is taken from.
var kinds = []kind{
	{name: "an ELF file", look: elfFile},                                                  // System V Application Binary Interface, chapters 4 and 5
	{name: "a PE program", look: peFile},                                                  // Microsoft, PE Format
	{name: "a gzip file", look: begins("\x1F\x8B\x08")},                                   // RFC 1952
	{name: "an xz file", look: begins("\xFD7zXZ\x00")},                                    // The .xz File Format, version 1.2.1
	{name: "a bzip2 file", look: beginsAnd("BZh", 4, "1AY&SY")},                           // J. Tsai, bzip2 Format Specification, 2016
	{name: "a zstd file", look: begins("\x28\xB5\x2F\xFD")},                               // RFC 8878
	{name: "a zip file", look: begins("PK\x03\x04")},                                      // PKWARE, APPNOTE.TXT 6.3.10
	{name: "an ar archive", look: begins("!<arch>\n")},                                    // System V Application Binary Interface, chapter 7
	{name: "a PNG picture", look: pngFile},                                                // W3C, Portable Network Graphics, third edition
	{name: "a JPEG picture", look: begins("\xFF\xD8\xFF")},                                // ITU-T T.81, annex B
	{name: "a GIF picture", look: beginsAnd("GIF8", 5, "a")},                              // CompuServe, GIF89a Specification
	{name: "a RIFF file (sound or film)", look: riffFile},                                 // IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0
	{name: "an Ogg file", look: begins("OggS\x00")},                                       // RFC 3533
	{name: "a FLAC file", look: begins("fLaC")},                                           // RFC 9639
	{name: "a TrueType or OpenType font", look: fontFile},                                 // ISO/IEC 14496-22, Open Font Format
	{name: "a collection of fonts", look: begins("ttcf\x00")},                             // the same
	{name: "a WOFF font", look: woffFile},                                                 // W3C, WOFF File Format 1.0 and 2.0
	{name: "a GNU message catalogue", look: catalogueFile},                                // GNU gettext manual, The Format of GNU MO Files
	{name: "a Type 1 font", look: typeOneFile},                                            // Adobe, Type 1 Font Format, 1990, and Technical Note 5040
	{name: "a PDF document", look: begins("%PDF-1.")},                                     // ISO 32000-1
	{name: "an X cursor", look: begins("Xcur\x10\x00\x00\x00")},                           // Xcursor(3)
	{name: "an ISO 9660 disc image", look: discFile, padded: true},                        // ECMA-119
	{name: "an SQLite database", look: databaseFile},                                      // SQLite, Database File Format
	{name: "a devicetree blob", look: devicetreeFile, memory: true},                       // Devicetree Specification 0.4
	{name: "a U-Boot image", look: uBootFile, memory: true},                               // U-Boot, include/image.h
	{name: "a PCI option ROM", look: optionROM, memory: true},                             // PCI Firmware Specification 3.0, chapter 5
	{name: "a UEFI firmware volume", look: firmwareVolume, memory: true},                  // UEFI Platform Initialization Specification, volume 3, chapter 3
	{name: "an ACPI table", look: acpiTable},                                              // ACPI Specification 6.5, section 5.2.6
	{name: "a Linux kernel or a program that boots as one", look: bootFile, memory: true}, // The Linux/x86 Boot Protocol
	{name: "a USB firmware file", look: firmwareSuffix},                                   // USB Device Class Specification for Device Firmware Upgrade 1.1, appendix B
	{name: "a program with a devicetree blob at its end", look: devicetreeAtEnd},          // U-Boot documentation, Devicetree Control in U-Boot: CONFIG_OF_SEPARATE
	{name: "a program that a BIOS boots", look: biosProgram, memory: true},                // Preboot Execution Environment Specification 2.1, section 2.4: loaded at 0x7C00
	{name: "a UF2 file", look: uf2File},                                                   // Microsoft, USB Flashing Format (UF2)
	{name: "a FITS file", look: begins("SIMPLE  =                    T")},                 // FITS Standard 4.0
	{name: "a file whose header states its own length", look: ownLength, memory: true},    // no standard: 32 bits, right by chance once in 100 million
}

// kindOf returns the kind of data, and the length its header states or 0; nil
// for bytes that do not say what they are. A file more than twice as long as
// its header says is a memory that begins with such a file.
func kindOf(data []byte) (*kind, uint64) {
	for i := range kinds {
		ok, length := kinds[i].look(data)
		if ok && (length == 0 || kinds[i].padded || length >= uint64(len(data))/2) {
			return &kinds[i], length
		}
	}
	return nil, 0
}

// head is the file that is looked at. Numbers beyond its end are 0.
type head []byte

var (
	little binary.ByteOrder = binary.LittleEndian
	big    binary.ByteOrder = binary.BigEndian
)

func (d head) has(at int, text string) bool {
	return at >= 0 && at <= len(d) && bytes.HasPrefix(d[at:], []byte(text))
}

// number returns the size bytes at a place as a number.
func (d head) number(at uint64, size int, order binary.ByteOrder) uint64 {
	if at > uint64(len(d)) || uint64(len(d))-at < uint64(size) {
		return 0
	}
	b := d[at:]
	switch size {
	case 1:
		return uint64(b[0])
	case 2:
		return uint64(order.Uint16(b))
	case 4:
		return uint64(order.Uint32(b))
	}
	return order.Uint64(b)
}

func (d head) u8(at int) uint64                          { return d.number(uint64(at), 1, little) }
func (d head) u16(at int, order binary.ByteOrder) uint64 { return d.number(uint64(at), 2, order) }
func (d head) u32(at int, order binary.ByteOrder) uint64 { return d.number(uint64(at), 4, order) }

// begins looks for text at the beginning.
func begins(text string) func(head) (bool, uint64) { return beginsAnd(text, 0, "") }

// beginsAnd looks for text at the beginning and for more at a place further on.
func beginsAnd(text string, at int, more string) func(head) (bool, uint64) {
	return func(d head) (bool, uint64) { return d.has(0, text) && d.has(at, more), 0 }
}

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

func riffFile(d head) (bool, uint64) {
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
	return d.has(40, "_FVH"), d.number(32, 8, little)
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

// ownLength looks for the length of the file in its first 64 bytes. A round one
// is the size of a memory, and may stand there for other reasons.
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
	return false, 0
}
