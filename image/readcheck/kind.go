package readcheck

import (
	"bytes"
	"encoding/binary"
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

var elfProgram = &kind{name: "an ELF file", look: elfFile}

// kinds is a small table of our own: what is wanted here is the length that a
// header states, which libraries that tell files by their first bytes do not
// read, and no signature so short that a memory may begin with it by chance.
// Each row names the publication it is taken from.
var kinds = []kind{
	*elfProgram,                                                                           // System V Application Binary Interface, chapters 4 and 5
	{name: "a PE program", look: peFile},                                                  // Microsoft, PE Format
	{name: "a gzip file", look: gzipFile},                                                 // RFC 1952
	{name: "an xz file", look: begins("\xFD7zXZ\x00")},                                    // The .xz File Format, version 1.2.1
	{name: "a bzip2 file", look: beginsAnd("BZh", 4, "1AY&SY")},                           // J. Tsai, bzip2 Format Specification, 2016
	{name: "a zstd file", look: begins("\x28\xB5\x2F\xFD")},                               // RFC 8878
	{name: "a zip file", look: begins("PK\x03\x04")},                                      // PKWARE, APPNOTE.TXT 6.3.10
	{name: "an ar archive", look: begins("!<arch>\n")},                                    // System V Application Binary Interface, chapter 7
	{name: "a PNG picture", look: pngFile},                                                // W3C, Portable Network Graphics, third edition
	{name: "a JPEG picture", look: jpegFile},                                              // ITU-T T.81, annex B
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
	{name: "a TIFF picture", look: tiffFile},                                              // Adobe, TIFF 6.0
	{name: "a BMP picture", look: bmpFile},                                                // Microsoft, BITMAPFILEHEADER and BITMAPINFOHEADER
	{name: "an IFF file (sound or picture)", look: iffFile},                               // Electronic Arts, EA IFF 85
	{name: "a MIDI file", look: begins("MThd\x00\x00\x00\x06")},                           // MIDI Manufacturers Association, Standard MIDI Files 1.0
	{name: "an MP4 film", look: beginsAnd("\x00\x00\x00", 4, "ftyp")},                     // ISO/IEC 14496-12
	{name: "a Matroska film", look: begins("\x1A\x45\xDF\xA3")},                           // RFC 8794
	{name: "a tar archive", look: tarFile},                                                // POSIX.1-2017, pax, ustar Interchange Format
	{name: "an LZ4 file", look: begins("\x04\x22\x4D\x18")},                               // LZ4 Frame Format Description 1.6
	{name: "a 7z archive", look: begins("7z\xBC\xAF\x27\x1C")},                            // I. Pavlov, 7z Format description
	{name: "an HDF5 file", look: begins("\x89HDF\r\n\x1A\n")},                             // HDF5 File Format Specification 3.0
	{name: "a Java class", look: begins("\xCA\xFE\xBA\xBE\x00")},                          // The Java Virtual Machine Specification, section 4.1
	{name: "a WebAssembly module", look: begins("\x00asm\x01\x00\x00\x00")},               // W3C, WebAssembly Core Specification, section 5.5
	{name: "a Lua program", look: begins("\x1BLua")},                                      // Lua 5.4, lundump.h: LUA_SIGNATURE
	{name: "a GObject type library", look: begins("GOBJ\nMETADATA\r\n\x1A")},              // GObject Introspection, gitypelib-internal.h
	{name: "a Qt message catalogue", look: begins("\x3C\xB8\x64\x18\xCA\xEF\x9C\x95")},    // Qt, qtranslator.cpp
	{name: "an icon", look: iconFile},                                                     // Microsoft, ICONDIR and ICONDIRENTRY
	{name: "a cpio archive", look: cpioFile},                                              // POSIX.1-1988, section 10.1.2, and cpio(5)
	{name: "an Erlang program", look: beamFile},                                           // Erlang/OTP, beam_lib(3): an IFF file of its own kind
	{name: "a TeX font metric", look: metricFile},                                         // D. E. Knuth, TFtoPL, sections 7 to 9
	{name: "a FITS file", look: begins("SIMPLE  =                    T")},                 // FITS Standard 4.0
	{name: "a file whose header states its own length", look: ownLength, memory: true},    // no standard: 32 bits, right by chance once in 15 million
}

const mostStated = 16 // times the size of a memory that a header may say it has

// kindOf returns the kind of data, and the length its header states or 0; nil
// for bytes that do not say what they are. A file more than twice as long as
// its header says is a memory that begins with such a file, and one that has a
// memory's size and a small part of what the header says begins like one by chance.
func kindOf(data []byte) (*kind, uint64) {
	for i := range kinds {
		ok, length := kinds[i].look(data)
		if ok && length > mostStated*uint64(len(data)) && memorySize(len(data)) {
			continue
		}
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
