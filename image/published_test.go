package image_test

import (
	"encoding/hex"
	"errors"
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

// segment makes a segment of hexadecimal digits.
func segment(t testing.TB, addr uint64, digits string) image.Segment {
	t.Helper()
	data, err := hex.DecodeString(strings.ReplaceAll(digits, " ", ""))
	require.NoError(t, err)
	return image.Segment{Start: addr, Data: data}
}

func text(addr uint64, s string) image.Segment { return image.Segment{Start: addr, Data: []byte(s)} }

// The files of testdata, whose README names their sources, with the addresses
// that the specifications give.
func TestPublishedRecords(t *testing.T) {
	const (
		profile  = "FLUID PROFILE\x00FL"
		register = "210080CF"
		addrGap  = "address gap"
		m68000   = "285F245F2212226A000424290008237C" + "00020008000826290018538123410018" + "41E900084E42234300182342000824A9" + "00144ED4"
		hello    = "7C0802A6900100049421FFF07C6C1B787C8C23783C60000038630000" + "4BFFFFE5398000007D83637880010014382100107C0803A64E800020" + "48656C6C6F20776F726C642E0A00"
		noStart  = ^uint64(0)
	)
	sample := "214601360121470136007EFE09D219012146017E17C20001FF5F160021480119" + "194E79234623965778239EDA3F01B2CA3F0156702B5E712B722B732146013421"
	cases := []struct {
		file     string
		format   image.Format
		segments []image.Segment
		start    uint64
		header   string
		notes    []string // each part of one note, in order
	}{
		{"sample.hex", image.FormatIntelHex, []image.Segment{segment(t, 0x100, sample)}, noStart, "", nil},
		{"segment-base.hex", image.FormatIntelHex, []image.Segment{text(0x14462, profile)}, noStart, "", nil},
		{"lower-case-cr.hex", image.FormatIntelHex, []image.Segment{text(0x14462, profile)}, noStart, "", nil},
		{"linear-base.hex", image.FormatIntelHex, []image.Segment{text(0xFFFF2462, profile)}, noStart, "", nil},
		{"gap-start-segment.hex", image.FormatIntelHex, []image.Segment{text(0x10, addrGap), segment(t, 0xFEDC, register)}, 0x3800, "", []string{"0000:3800"}},
		{"start-linear.hex", image.FormatIntelHex, []image.Segment{text(0x08000010, addrGap)}, 0xCD, "", []string{"start address 0xCD"}},
		{"offset-in-base-record.hex", image.FormatIntelHex, []image.Segment{text(0xE0010, addrGap)}, 0x179B8, "", []string{"should be 0000, not 0100", "1234:5678, which is 0x179B8"}},
		{"segment-wrap.hex", image.FormatIntelHex, []image.Segment{segment(t, 0x12000, "0304"), segment(t, 0x21FFE, "0102")}, noStart, "", []string{"from number 3 on go to 0x12000"}},
		{"m68000.srec", image.FormatSRecord, []image.Segment{segment(t, 0, m68000)}, noStart, "HDR", []string{`"HDR"`}},
		{"m68000-counted.srec", image.FormatSRecord, []image.Segment{segment(t, 0, m68000)}, noStart, "HDR", []string{`"HDR"`}},
		{"hello.srec", image.FormatSRecord, []image.Segment{segment(t, 0, hello)}, noStart, "hello     \x00\x00", []string{`"hello     \x00\x00"`}},
		{"letters.srec", image.FormatSRecord, []image.Segment{text(0x08000000, "ABCDEFGHIJKLMNOPQRSTUVWXYZ")}, 0x08000000, "", []string{"0x8000000"}},
		{"mixed-widths.srec", image.FormatSRecord, []image.Segment{text(0x1000, "some data\x00"), text(0x10000, "data at a higher address\x00")}, noStart, "", []string{"S1 and S2, and S9 pairs with S1 only"}},
		{"zerojump.srec", image.FormatSRecord, []image.Segment{segment(t, 0, "00001000000000084EFAFFFE")}, 8, "rojump", []string{`"rojump"`, "not 7A65", "0x8"}},
		{"assorted.srec", image.FormatSRecord, []image.Segment{segment(t, 0x7AF0, "0A0A0D00000000000000000000000000"), segment(t, 0x820, "B60811BB08137A0815B60810B908127A081400"), segment(t, 0xFEDC, register)}, 0x3C, "", []string{"0x3C"}},
		{"start-24bit.srec", image.FormatSRecord, []image.Segment{text(0x10000, "data at a higher address\x00")}, 0x800000, "", []string{"0x800000"}},
	}
	for _, c := range cases {
		t.Run(c.file, func(t *testing.T) {
			im, err := image.Open(filepath.Join("testdata", c.file), image.Options{})
			require.NoError(t, err)
			defer im.Close()
			assert.NoError(t, imagetest.TestImage(im, c.segments))
			assert.Equal(t, c.format, im.Format())
			assert.Equal(t, c.header, im.Header())
			start, ok := im.StartAddress()
			assert.Equal(t, c.start != noStart, ok)
			if ok {
				assert.Equal(t, c.start, start)
			}
			notes := im.Notes()
			require.Len(t, notes, len(c.notes), "%v", notes)
			for i, part := range c.notes {
				assert.Contains(t, notes[i].Message, part)
				assert.Positive(t, notes[i].Line)
			}
			whole, err := os.ReadFile(filepath.Join("testdata", c.file))
			require.NoError(t, err)
			file, err := io.ReadAll(im.File())
			require.NoError(t, err)
			assert.Equal(t, whole, file)
		})
	}
}

// Misprints in published documents must not be read.
func TestPublishedMisprints(t *testing.T) {
	cases := map[string]string{
		"bad-end-checksum.hex":  "2:10: intelhex: bad checksum FE; the bytes call for FF",
		"bad-data-checksum.hex": "1:36: intelhex: bad checksum 0F; the bytes call for 71",
		"bad-count.srec":        "3:3: srecord: bad length: the count says 19 bytes, which makes 42 characters, but the record has 18",
	}
	for file, want := range cases {
		path := filepath.Join("testdata", file)
		_, err := image.Open(path, image.Options{})
		var list *image.FormatErrors
		require.True(t, errors.As(err, &list), "%s: %v", file, err)
		assert.Equal(t, path+":"+want, list.Errors[0].Error())
	}
}
