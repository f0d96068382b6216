package image_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
	"example.com/calproof/image/imagetest"
)

func mustImage(t testing.TB, segments ...image.Segment) *image.Image {
	t.Helper()
	im, err := image.FromSegments(segments...)
	require.NoError(t, err)
	return im
}

// drawSegments draws a sparse image below limit.
func drawSegments(t *rapid.T, limit uint64) []image.Segment {
	var segments []image.Segment
	at := rapid.Uint64Range(0, limit-1).Draw(t, "first")
	for range rapid.IntRange(1, 6).Draw(t, "segments") {
		// Short ones, and some around the sizes of blocks and 64 KiB.
		size := rapid.IntRange(1, 40).Draw(t, "size")
		if rapid.IntRange(0, 9).Draw(t, "long") == 9 {
			size += 65520
		}
		size = int(min(uint64(size), limit-at))
		seed := rapid.Byte().Draw(t, "byte")
		data := make([]byte, size)
		for i := range data {
			data[i] = byte(i*i>>3) ^ seed
		}
		segments = append(segments, image.Segment{Start: at, Data: data})
		gap := rapid.OneOf(rapid.Uint64Range(1, 20), rapid.Uint64Range(65000, 70000)).Draw(t, "gap")
		if limit-at <= uint64(size)+gap {
			break
		}
		at += uint64(size) + gap
	}
	return segments
}

// What is written is read again as the same bytes, header and start address,
// with any options; and written again it is the same file.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.IntRange(2, 4).Draw(t, "width")
		limit := uint64(1) << (8 * width)
		segments := drawSegments(t, limit)
		im, err := image.FromSegments(segments...)
		require.NoError(t, err)
		start := rapid.Uint64Range(1, min(limit, 1<<20)-1).Draw(t, "start")
		header := rapid.StringMatching(`[ -~]{0,30}`).Draw(t, "header")
		end := rapid.SampledFrom([]string{"", "\n", "\r\n", "\r"}).Draw(t, "line end")
		length := rapid.IntRange(0, 250).Draw(t, "length")
		modes := []image.IntelHexAddressing{image.IntelHexAuto, image.IntelHexLinear}
		if im.Bounds().Last() < 1<<20 {
			modes = append(modes, image.IntelHexSegmented)
		}
		if im.Bounds().Last() < 1<<16 {
			modes = append(modes, image.IntelHex16Bit)
		}
		mode := rapid.SampledFrom(modes).Draw(t, "addressing")
		count := rapid.Bool().Draw(t, "count")

		writers := map[image.Format]func(io.Writer, *image.Image, bool) error{
			image.FormatIntelHex: func(w io.Writer, im *image.Image, first bool) error {
				opts := image.IntelHexOptions{RecordLength: length, Addressing: mode, LineEnd: end}
				if first {
					opts.Start = &start
				}
				return image.WriteIntelHex(w, im, opts)
			},
			image.FormatSRecord: func(w io.Writer, im *image.Image, first bool) error {
				opts := image.SRecordOptions{RecordLength: length, AddressBytes: width, Count: count, LineEnd: end}
				if first {
					opts.Start, opts.Header = &start, &header
				}
				return image.WriteSRecord(w, im, opts)
			},
		}
		for format, write := range writers {
			var file, again bytes.Buffer
			require.NoError(t, write(&file, im, true))
			back, err := image.New(bytes.NewReader(file.Bytes()), int64(file.Len()), image.Options{})
			require.NoError(t, err)
			require.NoError(t, imagetest.TestImage(back, segments))
			assert.Equal(t, format, back.Format())
			got, ok := back.StartAddress()
			assert.True(t, ok && got == start)
			if format == image.FormatSRecord {
				assert.Equal(t, header, back.Header())
			}
			require.NoError(t, write(&again, back, false))
			assert.True(t, bytes.Equal(file.Bytes(), again.Bytes()), "%s is not written again as it was", format)
		}
	})
}

func TestWriteRaw(t *testing.T) {
	im := mustImage(t, text(0x10, "ab"), text(0x15, "cd"))
	cases := []struct {
		opts image.RawOptions
		want string
	}{
		{image.RawOptions{}, "ab\x00\x00\x00cd"},
		{image.RawOptions{Fill: 0xFF}, "ab\xFF\xFF\xFFcd"},
		{image.RawOptions{Fill: '.', Range: image.Range{Start: 0x0E, Size: 11}}, "..ab...cd.."},
		{image.RawOptions{Fill: '.', Range: image.Range{Start: 0x11, Size: 5}}, "b...c"},
		{image.RawOptions{Fill: '.', Range: image.Range{Start: 0x12, Size: 3}}, "..."},
		{image.RawOptions{Fill: '.', Max: 7}, "ab...cd"},
	}
	for _, c := range cases {
		assert.Equal(t, c.want, string(written(t, func(b *bytes.Buffer) error { return image.WriteRaw(b, im, c.opts) })), "%+v", c.opts)
	}
	// A gap larger than the fill buffer.
	far := mustImage(t, text(0, "a"), text(200001, "b"))
	got := written(t, func(b *bytes.Buffer) error { return image.WriteRaw(b, far, image.RawOptions{Fill: '.'}) })
	assert.Equal(t, "a"+strings.Repeat(".", 200000)+"b", string(got))
	// The top of the address space.
	top := mustImage(t, text(^uint64(0)-1, "yz"))
	assert.Equal(t, "yz", string(written(t, func(b *bytes.Buffer) error { return image.WriteRaw(b, top, image.RawOptions{}) })))
}

// refusing fails at the first write: what is refused is refused before.
type refusing struct{ t *testing.T }

func (r refusing) Write(p []byte) (int, error) {
	r.t.Errorf("wrote %d bytes of a file that had to be refused", len(p))
	return len(p), nil
}

func TestRefused(t *testing.T) {
	u := func(v uint64) *uint64 { return &v }
	empty := mustImage(t)
	low := mustImage(t, text(0x10, "abc"))
	at := func(addr uint64) *image.Image { return mustImage(t, text(addr, "abc")) }
	raw := func(opts image.RawOptions) func(io.Writer, *image.Image) error {
		return func(w io.Writer, im *image.Image) error { return image.WriteRaw(w, im, opts) }
	}
	ihex := func(opts image.IntelHexOptions) func(io.Writer, *image.Image) error {
		return func(w io.Writer, im *image.Image) error { return image.WriteIntelHex(w, im, opts) }
	}
	srec := func(opts image.SRecordOptions) func(io.Writer, *image.Image) error {
		return func(w io.Writer, im *image.Image) error { return image.WriteSRecord(w, im, opts) }
	}
	long := strings.Repeat("x", 253)
	cases := []struct {
		name  string
		im    *image.Image
		write func(io.Writer, *image.Image) error
		want  string
	}{
		{"raw, empty", empty, raw(image.RawOptions{}), "no bytes"},
		{"raw, too large", mustImage(t, text(0, "a"), text(1<<40, "b")), raw(image.RawOptions{}), "above the limit of 268435456"},
		{"raw, too large for the given limit", low, raw(image.RawOptions{Max: 2}), "above the limit of 2"},
		{"raw, whole address space", mustImage(t, text(0, "a"), text(^uint64(0), "b")), raw(image.RawOptions{}), "above the limit"},
		{"raw, range past the top", low, raw(image.RawOptions{Range: image.Range{Start: ^uint64(0), Size: 2}}), "past the top"},
		{"ihex, empty", empty, ihex(image.IntelHexOptions{}), "no bytes"},
		{"ihex, beyond 32 bits", at(1<<32 - 2), ihex(image.IntelHexOptions{}), "reaches 0x100000000, but addresses of Intel HEX (linear) end at 0xFFFFFFFF"},
		{"ihex, beyond 20 bits", at(1<<20 - 2), ihex(image.IntelHexOptions{Addressing: image.IntelHexSegmented}), "end at 0xFFFFF"},
		{"ihex, beyond 16 bits", at(1<<16 - 2), ihex(image.IntelHexOptions{Addressing: image.IntelHex16Bit}), "end at 0xFFFF"},
		{"ihex, unknown addressing", low, ihex(image.IntelHexOptions{Addressing: "x"}), `addressing "x" is unknown`},
		{"ihex, record length", low, ihex(image.IntelHexOptions{RecordLength: 256}), "record length 256 is not between 1 and 255"},
		{"ihex, negative record length", low, ihex(image.IntelHexOptions{RecordLength: -1}), "record length -1"},
		{"ihex, start beyond 32 bits", low, ihex(image.IntelHexOptions{Start: u(1 << 32)}), "start address is 0x100000000"},
		{"ihex, start beyond type 03", low, ihex(image.IntelHexOptions{Start: u(1 << 20), Addressing: image.IntelHex16Bit}), "start address is 0x100000"},
		{"ihex, start and none", low, ihex(image.IntelHexOptions{Start: u(1), NoStart: true}), "choose one"},
		{"ihex, line end", low, ihex(image.IntelHexOptions{LineEnd: "x"}), "line end"},
		{"srec, empty", empty, srec(image.SRecordOptions{}), "no bytes"},
		{"srec, beyond 32 bits", at(1<<32 - 2), srec(image.SRecordOptions{}), "reaches 0x100000000, but addresses of S3 records end at 0xFFFFFFFF"},
		{"srec, beyond 24 bits", at(1<<24 - 2), srec(image.SRecordOptions{AddressBytes: 3}), "addresses of S2 records end at 0xFFFFFF"},
		{"srec, beyond 16 bits", at(1<<16 - 2), srec(image.SRecordOptions{AddressBytes: 2}), "addresses of S1 records end at 0xFFFF"},
		{"srec, width", low, srec(image.SRecordOptions{AddressBytes: 5}), "not 5"},
		{"srec, S1 record length", low, srec(image.SRecordOptions{RecordLength: 253}), "between 1 and 252"},
		{"srec, S3 record length", low, srec(image.SRecordOptions{RecordLength: 251, AddressBytes: 4}), "between 1 and 250"},
		{"srec, header", low, srec(image.SRecordOptions{Header: &long}), "too long"},
		{"srec, start", low, srec(image.SRecordOptions{Start: u(1 << 16), AddressBytes: 2}), "start address is 0x10000"},
		{"srec, start and none", low, srec(image.SRecordOptions{Start: u(1), NoStart: true}), "choose one"},
		{"srec, line end", low, srec(image.SRecordOptions{LineEnd: "\n\n"}), "line end"},
		{"srec, too many to count", mustImage(t, image.Segment{Start: 0, Data: make([]byte, 1<<24)}), srec(image.SRecordOptions{RecordLength: 1, Count: true}), "too many"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			require.ErrorContains(t, c.write(refusing{t}, c.im), c.want)
		})
	}
}

// failing accepts n bytes and then fails.
type failing struct{ n int }

var errFull = errors.New("disk full")

func (f *failing) Write(p []byte) (int, error) {
	if f.n -= len(p); f.n < 0 {
		return 0, errFull
	}
	return len(p), nil
}

func TestWriteFails(t *testing.T) {
	im := mustImage(t, image.Segment{Start: 5, Data: make([]byte, 200000)}, image.Segment{Start: 300000, Data: make([]byte, 10)})
	for _, n := range []int{0, 70000, 250000} {
		assert.ErrorIs(t, image.WriteRaw(&failing{n}, im, image.RawOptions{}), errFull)
		assert.ErrorIs(t, image.WriteIntelHex(&failing{n}, im, image.IntelHexOptions{}), errFull)
		assert.ErrorIs(t, image.WriteSRecord(&failing{n}, im, image.SRecordOptions{}), errFull)
	}
}

// Options change the file as they say.
func TestWriterOptions(t *testing.T) {
	u := func(v uint64) *uint64 { return &v }
	s := func(v string) *string { return &v }
	im := mustImage(t, text(0xFFFE, "abcd"))
	ihexFile := func(opts image.IntelHexOptions) string {
		return string(written(t, func(b *bytes.Buffer) error { return image.WriteIntelHex(b, im, opts) }))
	}
	srecFile := func(opts image.SRecordOptions) string {
		return string(written(t, func(b *bytes.Buffer) error { return image.WriteSRecord(b, im, opts) }))
	}
	assert.Equal(t, lines(ihex("FFFE006162"), ":020000040001F9", ihex("0000006364"), hexEnd), ihexFile(image.IntelHexOptions{}))
	assert.Equal(t, lines(ihex("FFFE006162"), ihex("0000021000"), ihex("0000006364"), ihex("00000300001234"), hexEnd),
		ihexFile(image.IntelHexOptions{Addressing: image.IntelHexSegmented, Start: u(0x1234)}))
	assert.Equal(t, lines(ihex("FFFE0061"), ihex("FFFF0062"), ihex("0000040001"), ihex("00000063"), ihex("00010064"), ihex("000005FEDCBA98"), hexEnd),
		ihexFile(image.IntelHexOptions{RecordLength: 1, Start: u(0xFEDCBA98)}))
	assert.Equal(t, lines("S0030000FC", srec(2, "00FFFE61626364"), "S804000000FB"), srecFile(image.SRecordOptions{}))
	assert.Equal(t, strings.ReplaceAll(lines(srec(0, "00006869"), srec(0, "000079"), srec(3, "0000FFFE616263"), srec(3, "0001000164"), srec(5, "0002"), srec(7, "00000042")), "\n", "\r\n"),
		srecFile(image.SRecordOptions{AddressBytes: 4, RecordLength: 3, Header: s("hi\ny"), Start: u(0x42), Count: true, LineEnd: "\r\n"}))

	// A start address that is kept, replaced, and left out; CS and IP stay apart.
	read, err := read(lines(data16, "  :0400000312345678E5\t", hexEnd, "", "   "), image.Options{})
	require.NoError(t, err)
	im = read
	assert.Contains(t, ihexFile(image.IntelHexOptions{}), ":0400000312345678E5\n")
	assert.Contains(t, ihexFile(image.IntelHexOptions{Addressing: image.IntelHexLinear}), ":0400000312345678E5\n")
	assert.Contains(t, ihexFile(image.IntelHexOptions{Start: u(0x179B8)}), ihex("000003100079B8"))
	assert.NotContains(t, ihexFile(image.IntelHexOptions{NoStart: true}), ":04000003")
	assert.Contains(t, srecFile(image.SRecordOptions{}), srec(8, "0179B8"))
	assert.Contains(t, srecFile(image.SRecordOptions{NoStart: true}), "S9030000FC")

	// More records than S5 can count.
	im = mustImage(t, image.Segment{Start: 0, Data: make([]byte, 1<<16)})
	file := srecFile(image.SRecordOptions{RecordLength: 1, Count: true})
	assert.Contains(t, file, srec(6, "010000"))
	back, err := image.New(strings.NewReader(file), int64(len(file)), image.Options{})
	require.NoError(t, err)
	assert.EqualValues(t, 1<<16, back.Size())
}

// All record lengths, with segments that start and end anywhere around the
// 64 KiB blocks in which an image is read.
func TestRecordLengths(t *testing.T) {
	data := make([]byte, 3<<16)
	for i := range data {
		data[i] = byte(i * 7 >> 2)
	}
	for length := 1; length <= 255; length += 13 {
		segments := []image.Segment{{Start: 0xFFF0 + uint64(length), Data: data[:65536+length]}, {Start: 0x30000 - 1, Data: data[1:131000]}}
		im := mustImage(t, segments...)
		for name, write := range map[string]func(b *bytes.Buffer) error{
			"ihex": func(b *bytes.Buffer) error {
				return image.WriteIntelHex(b, im, image.IntelHexOptions{RecordLength: length})
			},
			"srec": func(b *bytes.Buffer) error {
				return image.WriteSRecord(b, im, image.SRecordOptions{RecordLength: min(length, 251)})
			},
		} {
			file := written(t, write)
			back, err := image.New(bytes.NewReader(file), int64(len(file)), image.Options{})
			require.NoError(t, err, "%s %d", name, length)
			for _, s := range segments {
				got, err := back.Bytes(image.Range{Start: s.Start, Size: uint64(len(s.Data))})
				require.NoError(t, err)
				require.True(t, bytes.Equal(s.Data, got), "%s %d", name, length)
			}
			require.Equal(t, im.Segments(), back.Segments())
		}
	}
}
