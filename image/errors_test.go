package image_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/imagetest"
)

func read(data string, opts image.Options) (*image.Image, error) {
	return image.New(strings.NewReader(data), int64(len(data)), opts)
}

// srec makes an S-record of a type and the digits of its address and data.
func srec(kind int, digits string) string {
	body := fmt.Sprintf("%02X", len(digits)/2+1) + digits
	return fmt.Sprintf("S%d%s%02X", kind, body, 0xFF-byteSum(body))
}

// ihex makes an Intel HEX record of the digits of its offset, type and data.
func ihex(digits string) string {
	body := fmt.Sprintf("%02X", len(digits)/2-3) + digits
	return fmt.Sprintf(":%s%02X", body, -byteSum(body))
}

func byteSum(digits string) (sum byte) {
	for i := 0; i < len(digits); i += 2 {
		var b byte
		fmt.Sscanf(digits[i:i+2], "%02X", &b)
		sum += b
	}
	return sum
}

const (
	hexEnd  = ":00000001FF"
	data16  = ":0B0010006164647265737320676170A7" // 0x10-0x1A, from testdata
	data1   = "S10D1000736F6D6520646174610074"    // 0x1000-0x1009, from testdata
	srecEnd = "S9030000FC"
)

func lines(l ...string) string { return strings.Join(l, "\n") + "\n" }

// mistake is one file and every message that reading it must give.
type mistake struct {
	name string
	file string
	want []string
	cut  bool // the file was cut short: io.ErrUnexpectedEOF
}

func intelHexMistakes() []mistake {
	long := ":" + strings.Repeat("0", 2000)
	return []mistake{
		{"checksum", lines(":0B0010006164647265737320676170A8", hexEnd), []string{"1:32: bad checksum A8; the bytes call for A7"}, false},
		{"checksum of a base", lines(":020000021200EB", hexEnd), []string{"1:14: bad checksum EB; the bytes call for EA"}, false},
		{"too long for its length", lines(":0A0010006164647265737320676170A7", hexEnd), []string{"1:2: bad length: the record says 10 data bytes, which makes 31 characters, but has 33"}, false},
		{"too short for its length", lines(":0C0010006164647265737320676170A7", hexEnd), []string{"1:2: bad length: the record says 12 data bytes, which makes 35 characters, but has 33"}, false},
		{"length of a base", lines(ihex("00000212"), data16, hexEnd), []string{"1:2: bad length: a type 02 record holds 2 bytes, not 1"}, false},
		{"length of a linear base", lines(ihex("000004120000"), data16, hexEnd), []string{"1:2: bad length: a type 04 record holds 2 bytes, not 3"}, false},
		{"length of a start", lines(data16, ihex("0000031234"), ihex("0000051234"), hexEnd), []string{"2:2: bad length: a type 03 record holds 4 bytes, not 2", "3:2: bad length: a type 05 record holds 4 bytes, not 2"}, false},
		{"length of the end", lines(data16, ihex("00000100")), []string{"2:2: bad length: a type 01 record holds 0 bytes, not 1", "3: the file ends without an end record"}, true},
		{"unknown type", lines(data16, ihex("00000600"), hexEnd), []string{"2:8: record type 06 is unknown; the types are 00 to 05"}, false},
		{"no end", lines(data16), []string{"2: the file ends without an end record (:00000001FF); it was cut short"}, true},
		{"no end, no line end", data16, []string{"1: the file ends without an end record"}, true},
		{"cut in a record", data16 + "\n:0B0020006164", []string{"2: the file ends without", "2:14: the last record is cut short: 13 characters where its length calls for 33"}, true},
		{"cut after the colon", data16 + "\n:", []string{"2: the file ends without", "2:2: the last record is cut short"}, true},
		{"cut in the end record", data16 + "\n:00000001F", []string{"2: the file ends without", "2:11: the last record is cut short: 10 characters where its length calls for 11"}, true},
		{"data after the end", lines(data16, hexEnd, "", data16, data16), []string{"4:1: text after the end record of line 2; nothing may follow it"}, false},
		{"text after the end", lines(data16, hexEnd, "  thanks"), []string{"3:3: text after the end record of line 2"}, false},
		{"odd digits", lines(":0B001000616464726573732067617A7", data16, hexEnd), []string{"1:33: odd number of digits (31); a digit is missing or too many"}, false},
		{"no digit", lines(":0B00100O6164647265737320676170A7", hexEnd), []string{`1:9: 'O' is no hexadecimal digit`}, false},
		{"a blank inside", lines(":0B001000 6164647265737320676170A7", hexEnd), []string{`1:10: ' ' is no hexadecimal digit`}, false},
		{"a NUL inside", lines(data16, ":0B0020\x00006164647265737320676170A7", hexEnd), []string{`2:8: '\x00' is no hexadecimal digit`}, false},
		{"no colon", lines(data16, "0B0010006164647265737320676170A7", hexEnd), []string{`2:1: a record starts with a colon, not with '0'`}, false},
		{"comment", lines("; made by hand", data16, hexEnd), []string{`1:1: a record starts with a colon, not with ';'`}, false},
		{"long line", lines(data16, long, hexEnd), []string{"2:1: bad length: the line is longer than 521 characters"}, false},
		{"long last line", data16 + "\n" + long, []string{"2: the file ends without", "2:1: bad length: the line is longer"}, true},
		{"beyond 16 bits", lines(ihex("FFFE0001020304"), hexEnd), []string{"1:4: 4 bytes from 0xFFFE run past 0xFFFF, but no type 02 or 04 record before says"}, false},
		{"contradiction", lines(data16, ihex("00180041424344"), hexEnd), []string{"2:1: 0x18-0x1A is given as 41 42 43 here but as 67 61 70 in line 1; remove the wrong record"}, false},
		{"contradiction in part", lines(data16, ihex("00180067614344"), hexEnd), []string{"2:1: 0x1A-0x1A is given as 43 here but as 70 in line 1"}, false},
		{"contradiction by wrap", lines(":020000021200EA", ihex("000000AABB"), ihex("FFFF000102"), hexEnd), []string{"3:1: 0x12000-0x12000 is given as 02 here but as AA in line 2"}, false},
		{"contradiction and another mistake", lines(data16, ihex("00180041"), ":0B0020006164647265737320676170A7", hexEnd), []string{"2:1: 0x18-0x18 is given as 41", "3:32: bad checksum A7; the bytes call for 97"}, false},
		{"only an end", lines(hexEnd), []string{"the file is well formed but holds no data bytes"}, false},
		{"several", lines(":0B0010006164647265737320676170A8", "x", ":0C0010006164647265737320676170A7"), []string{"1:32: bad checksum", "2:1: a record starts", "3:2: bad length", "4: the file ends without"}, true},
	}
}

func sRecordMistakes() []mistake {
	long := "S1" + strings.Repeat("0", 2000)
	return []mistake{
		{"checksum", lines("S10D1000736F6D6520646174610075", srecEnd), []string{"1:29: bad checksum 75; the bytes call for 74"}, false},
		{"too long for its count", lines("S10C1000736F6D6520646174610074", srecEnd), []string{"1:3: bad length: the count says 12 bytes, which makes 28 characters, but the record has 30"}, false},
		{"too short for its count", lines("S10E1000736F6D6520646174610074", srecEnd), []string{"1:3: bad length: the count says 14 bytes, which makes 32 characters, but the record has 30"}, false},
		{"count below the address", lines(data1, "S30380007C", srecEnd), []string{"2:3: bad length: the count is 3, but an S3 record has 4 address bytes and a checksum"}, false},
		{"count below the address, checksum wrong", lines(data1, "S30380007D", srecEnd), []string{"2:3: bad length: the count is 3"}, false},
		{"no end", lines(data1), []string{"2: the file ends without an end record (S7, S8 or S9); it was cut short"}, true},
		{"cut in a record", data1 + "\nS10D100A736F6D", []string{"2: the file ends without", "2:15: the last record is cut short: 14 characters where its count calls for 30"}, true},
		{"cut after the S", data1 + "\nS", []string{"2: the file ends without", "2:2: the last record is cut short after the S"}, true},
		{"cut after the type", data1 + "\nS1", []string{"2: the file ends without", "2:3: the last record is cut short"}, true},
		{"cut in the end record", data1 + "\nS903000", []string{"2: the file ends without", "2:8: the last record is cut short"}, true},
		{"data after the end", lines(data1, srecEnd, data1, data1), []string{"3:1: text after the end record of line 2; nothing may follow it"}, false},
		{"second block", lines(data1, srecEnd, "S00600004844521B", data1, srecEnd), []string{"3:1: text after the end record of line 2"}, false},
		{"odd digits", lines("S10D1000736F6D652064617461074", srecEnd), []string{"1:30: odd number of digits (27)"}, false},
		{"no digit", lines("S10D10O0736F6D6520646174610074", srecEnd), []string{"1:7: 'O' is no hexadecimal digit"}, false},
		{"no S", lines(data1, "10D1000736F6D6520646174610074", srecEnd), []string{"2:1: a record starts with S, not with '1'"}, false},
		{"no type", lines(data1, "SA0D1000736F6D6520646174610074", srecEnd), []string{"2:2: the S is not followed by a record type, 0 to 9"}, false},
		{"S4", lines("S40F10000000736F6D6520646174610071", data1, srecEnd), []string{"1:2: S4 records are not defined; if this is a 32-bit data record, its type is S3"}, false},
		{"S5 counts too many", lines(data1, "S5030004F8", srecEnd), []string{"2:5: the S5 record counts 4 data records, but 1 came before it; a record is missing or too many"}, false},
		{"S6 counts too few", lines(data1, "S604000000FB", srecEnd), []string{"2:5: the S6 record counts 0 data records, but 1 came before it"}, false},
		{"S5 with data", lines(data1, srec(5, "000111"), srecEnd), []string{"2:3: bad length: an S5 record holds no data, not 1 bytes"}, false},
		{"S9 with data", lines(data1, srec(9, "00001122")), []string{"2:3: bad length: an S9 record holds no data, not 2 bytes"}, false},
		{"S7 after S1", lines(data1, "S70500000000FA"), []string{"2:1: S7 ends a file of S3 records, but there are none; the data records are S1"}, false},
		{"S9 after S2 and S3", lines(srec(2, "01000041"), srec(3, "0100000041"), srecEnd), []string{"3:1: S9 ends a file of S1 records, but there are none; the data records are S2 and S3"}, false},
		{"beyond 16 bits", lines(srec(1, "FFFE414243"), srecEnd), []string{"1:5: 3 bytes from 0xFFFE run past 0xFFFF, the last address of an S1 record"}, false},
		{"beyond 24 bits", lines(srec(2, "FFFFFE414243"), "S804000000FB"), []string{"1:5: 3 bytes from 0xFFFFFE run past 0xFFFFFF, the last address of an S2 record"}, false},
		{"beyond 32 bits", lines(srec(3, "FFFFFFFF4142"), "S70500000000FA"), []string{"1:5: 2 bytes from 0xFFFFFFFF run past 0xFFFFFFFF, the last address of an S3 record"}, false},
		{"contradiction", lines(data1, srec(1, "100841420001"), srecEnd), []string{"2:1: 0x1008-0x1009 is given as 41 42 here but as 61 00 in line 1"}, false},
		{"long line", lines(data1, long, srecEnd), []string{"2:1: bad length: the line is longer than 514 characters"}, false},
		{"no data", lines("S00600004844521B", srecEnd), []string{"the file is well formed but holds no data bytes"}, false},
		{"damaged end", lines(data1, "S9030000FD"), []string{"2:9: bad checksum FD; the bytes call for FC"}, false},
	}
}

func TestMistakes(t *testing.T) {
	for format, cases := range map[image.Format][]mistake{
		image.FormatIntelHex: intelHexMistakes(),
		image.FormatSRecord:  sRecordMistakes(),
	} {
		for _, c := range cases {
			for _, crlf := range []bool{false, true} {
				t.Run(fmt.Sprintf("%s/%s/crlf=%v", format, c.name, crlf), func(t *testing.T) {
					file := c.file
					if crlf {
						file = strings.ReplaceAll(file, "\n", "\r\n")
					}
					// Told by its bytes, the damage does not make it raw.
					im, err := read(file, image.Options{})
					require.Error(t, err)
					assert.Nil(t, im)
					var list *image.FormatErrors
					require.True(t, errors.As(err, &list), "%v", err)
					assert.Equal(t, c.cut, errors.Is(err, io.ErrUnexpectedEOF))
					var got []string
					for _, e := range list.Errors {
						assert.Equal(t, format, e.Format)
						got = append(got, strings.TrimPrefix(strings.Replace(e.Error(), string(format)+": ", "", 1), "line "))
					}
					require.Len(t, got, len(c.want), "%q", got)
					for i, want := range c.want {
						assert.True(t, strings.HasPrefix(got[i], want), "got  %s\nwant %s", got[i], want)
					}
				})
			}
		}
	}
}

// Every proper prefix of a good file is an error, never a short image, except
// where only the last line's end is missing.
func TestEveryCut(t *testing.T) {
	for _, name := range []string{"sample.hex", "segment-base.hex", "lower-case-cr.hex", "m68000-counted.srec", "letters.srec"} {
		whole, err := os.ReadFile(filepath.Join("testdata", name))
		require.NoError(t, err)
		format := image.FormatIntelHex
		if strings.HasSuffix(name, ".srec") {
			format = image.FormatSRecord
		}
		end := len(bytes.TrimRight(whole, "\r\n"))
		for n := range whole {
			_, err := read(string(whole[:n]), image.Options{Format: format})
			if n < end {
				require.ErrorIs(t, err, io.ErrUnexpectedEOF, "%s cut to %d bytes", name, n)
			} else {
				require.NoError(t, err, "%s cut to %d bytes", name, n)
			}
		}
	}
}

// Every change of one digit of a good file is an error: the checksum of the
// record sees it.
func TestEveryDigit(t *testing.T) {
	for _, name := range []string{"sample.hex", "m68000-counted.srec"} {
		whole, err := os.ReadFile(filepath.Join("testdata", name))
		require.NoError(t, err)
		for i, c := range whole {
			if !strings.ContainsRune("0123456789ABCDEF", rune(c)) || i > 0 && whole[i-1] == 'S' {
				continue
			}
			damaged := bytes.Clone(whole)
			damaged[i] = "123456789ABCDEF0"[strings.IndexByte("0123456789ABCDEF", c)]
			_, err := read(string(damaged), image.Options{})
			require.Error(t, err, "%s with byte %d changed from %c to %c", name, i, c, damaged[i])
		}
	}
}

func TestMaxErrors(t *testing.T) {
	file := strings.Repeat("x\n", 57) + lines(data16, hexEnd)
	for most, want := range map[int]int{0: image.DefaultMaxErrors, 1: 1, 5: 5, 57: 57, 100: 57} {
		_, err := read(file, image.Options{Format: image.FormatIntelHex, MaxErrors: most})
		var list *image.FormatErrors
		require.True(t, errors.As(err, &list))
		assert.Len(t, list.Errors, want)
		assert.Equal(t, 57-want, list.More)
		text := err.Error()
		assert.Equal(t, want > 0 && want < 57, strings.HasSuffix(text, fmt.Sprintf("\nand %d more", 57-want)), text)
	}
	_, err := read(file, image.Options{MaxErrors: -1})
	require.ErrorContains(t, err, "MaxErrors")
}

// Overlapping records with equal bytes are a note with the addresses, once for
// the file.
func TestEqualOverlap(t *testing.T) {
	im, err := read(lines(data16, ihex("00180067617041"), data16, hexEnd), image.Options{})
	require.NoError(t, err)
	require.NoError(t, imagetest.TestImage(im, []image.Segment{text(0x10, "address gapA")}))
	notes := im.Notes()
	require.Len(t, notes, 1)
	assert.Equal(t, 2, notes[0].Line)
	assert.Equal(t, "11 bytes are given more than once, with equal values", notes[0].Message)
	assert.Equal(t, []image.Range{{Start: 0x10, Size: 11}}, notes[0].Ranges)
}

// The Arduino boot loader for the ATmega328 contradicts itself as packaged: its
// code has outgrown its place, and the last data record writes 04 04 where an
// earlier one wrote 90 83. GNU objcopy says nothing and keeps the later bytes.
func TestRealContradiction(t *testing.T) {
	path := imagetest.RealFile(t, "arduino-core-avr/usr/share/arduino/hardware/arduino/avr/bootloaders/optiboot/optiboot_atmega328.hex", "")
	_, err := image.Open(path, image.Options{})
	require.ErrorContains(t, err, "0x7FFE-0x7FFF is given as 04 04 here but as 90 83 in line ")
	var list *image.FormatErrors
	require.True(t, errors.As(err, &list))
	assert.Len(t, list.Errors, 1)
	assert.Equal(t, path, list.Errors[0].File)
}
