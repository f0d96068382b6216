package image_test

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/imagetest"
)

func TestRaw(t *testing.T) {
	data := counting(200001)
	path := save(t, "in.bin", data)
	for _, base := range []uint64{0, 0x80000, ^uint64(0) - 200000} {
		im := openEqual(t, path, image.Options{Base: new(base)}, []image.Segment{{Start: base, Data: data}})
		assert.Equal(t, image.FormatRaw, im.Format())
		_, ok := im.StartAddress()
		assert.False(t, ok)
		assert.Empty(t, im.Header())
		assert.Empty(t, im.Notes())
		file, err := io.ReadAll(im.File())
		require.NoError(t, err)
		assert.True(t, bytes.Equal(data, file))
	}
	_, err := image.Open(path, image.Options{Base: new(^uint64(0) - 199999)})
	require.ErrorContains(t, err, "run past the top")
	require.ErrorContains(t, err, path)

	// The same through New, from a reader of another kind.
	im, err := image.New(strings.NewReader(string(data)), int64(len(data)), image.Options{Base: new(uint64(7))})
	require.NoError(t, err)
	require.NoError(t, imagetest.TestImage(im, []image.Segment{{Start: 7, Data: data}}))
	require.NoError(t, im.Close(), "nothing to close")
}

func TestOpenMistakes(t *testing.T) {
	dir := t.TempDir()
	_, err := image.Open(filepath.Join(dir, "missing"), image.Options{})
	require.ErrorIs(t, err, fs.ErrNotExist)
	_, err = image.Open(dir, image.Options{})
	require.ErrorContains(t, err, "is a folder")
	empty := save(t, "empty", nil)
	for _, f := range append(image.Formats(), image.FormatAuto) {
		_, err = image.Open(empty, image.Options{Format: f})
		require.ErrorContains(t, err, "empty")
		require.ErrorIs(t, err, io.ErrUnexpectedEOF)
		require.ErrorContains(t, err, empty)
	}
	_, err = image.New(strings.NewReader("x"), -1, image.Options{})
	require.ErrorContains(t, err, "negative")
	_, err = read("x", image.Options{Format: "tar"})
	require.ErrorContains(t, err, `unknown format "tar"; the formats are auto, elf, intelhex, srecord, raw`)
	_, err = image.Open(filepath.Join("testdata", "sample.hex"), image.Options{Base: new(uint64(0x100))})
	require.ErrorContains(t, err, "base 0x100 given, but the file is intelhex")
}

// brokenReader fails from an offset on.
type brokenReader struct {
	io.ReaderAt
	from int64
}

var errBroken = errors.New("broken disk")

func (b brokenReader) ReadAt(p []byte, off int64) (int, error) {
	if off+int64(len(p)) > b.from {
		return 0, errBroken
	}
	return b.ReaderAt.ReadAt(p, off)
}

func TestReadFails(t *testing.T) {
	var file bytes.Buffer
	require.NoError(t, image.WriteIntelHex(&file, mustImage(t, image.Segment{Data: counting(1 << 20)}), image.IntelHexOptions{}))
	size := int64(file.Len())
	for _, from := range []int64{0, 100000, size - 1} {
		_, err := image.New(brokenReader{bytes.NewReader(file.Bytes()), from}, size, image.Options{Format: image.FormatIntelHex})
		require.ErrorIs(t, err, errBroken)
	}
	_, err := image.New(brokenReader{bytes.NewReader(file.Bytes()), 0}, size, image.Options{})
	require.ErrorIs(t, err, errBroken)
	// A reader with fewer bytes than promised.
	_, err = image.New(bytes.NewReader(file.Bytes()), size+10, image.Options{})
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
	im, err := image.New(strings.NewReader("abc"), 10, image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	_, err = im.Bytes(im.Bounds())
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
	require.ErrorContains(t, err, "read at 0x3")
}

func TestSniff(t *testing.T) {
	cases := []struct {
		name string
		file string
		want image.Format
	}{
		{"ihex", lines(data16, hexEnd), image.FormatIntelHex},
		{"ihex, mark and blank lines first", "\xEF\xBB\xBF" + lines("", "  ", data16, hexEnd), image.FormatIntelHex},
		{"ihex, binary later on", lines(data16) + "\xFF\x00\x80", image.FormatIntelHex},
		{"ihex, letter instead of digit", lines(":0B001O006164647265737320676170A7", hexEnd), image.FormatIntelHex},
		{"ihex, first line damaged", lines("0B0010006164647265737320676170A7", hexEnd), image.FormatIntelHex},
		{"ihex, comment first", lines("# groomer", data16, hexEnd), image.FormatIntelHex},
		{"ihex, only a colon", ":", image.FormatIntelHex},
		{"srec", lines(data1, srecEnd), image.FormatSRecord},
		{"srec, NUL as line end", data1 + "\x00" + srecEnd + "\x00", image.FormatSRecord},
		{"srec, lower case", strings.ToLower(lines(data1, srecEnd)), image.FormatSRecord},
		{"srec, line number first", lines("10 "+data1, srecEnd), image.FormatSRecord},
		{"srec, only a start", "S1", image.FormatSRecord},
		{"elf", "\x7fELF garbage", image.FormatELF},
		{"raw, starts like ihex", ":10\x00\x01\x02", image.FormatRaw},
		{"raw, starts like srec", "S1\xFF", image.FormatRaw},
		{"raw text", "Some text with S12 inside: 00 01\n", image.FormatRaw},
		{"raw, erased", strings.Repeat("\xFF", 5000), image.FormatRaw},
		{"raw, records far inside", strings.Repeat("\x00", 100) + lines(data16, hexEnd), image.FormatRaw},
	}
	for _, c := range cases {
		im, err := read(c.file, image.Options{})
		got := image.FormatRaw
		var list *image.FormatErrors
		if errors.As(err, &list) {
			got = list.Errors[0].Format
		} else if err == nil {
			got = im.Format()
		}
		assert.Equal(t, c.want, got, "%s: %v", c.name, err)
		// The override wins.
		im, err = read(c.file, image.Options{Format: image.FormatRaw})
		require.NoError(t, err)
		require.NoError(t, imagetest.TestImage(im, []image.Segment{text(0, c.file)}))
	}
	for _, order := range []string{"\xFF\xFE:\x000\x00B\x000\x000\x001\x000\x000\x000\x006\x00", "\xFE\xFF\x00S\x001\x000\x00D\x001\x000\x000\x000\x007\x003"} {
		_, err := read(order, image.Options{})
		require.ErrorContains(t, err, "UTF-16")
		_, err = read(order, image.Options{Format: image.FormatRaw})
		require.NoError(t, err)
	}
	im, err := read("\xFF\xFE\x00\x00", image.Options{})
	require.NoError(t, err)
	assert.Equal(t, image.FormatRaw, im.Format())
}

func TestParseFormat(t *testing.T) {
	for name, want := range map[string]image.Format{"": "", "auto": "", "raw": "raw", "IntelHex": "intelhex", "SRECORD": "srecord", "elf": "elf"} {
		got, err := image.ParseFormat(name)
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	_, err := image.ParseFormat("hex")
	require.ErrorContains(t, err, "auto, elf, intelhex, srecord, raw")
}

// Close releases the file: it can be removed (on Windows too), and reads fail.
func TestClose(t *testing.T) {
	path := save(t, "in.bin", counting(5000))
	im, err := image.Open(path, image.Options{})
	require.NoError(t, err)
	view, err := im.Swap(2)
	require.NoError(t, err)
	require.NoError(t, view.Close())
	_, err = im.Bytes(im.Bounds())
	require.NoError(t, err, "closing a view leaves the image open")
	require.NoError(t, im.Close())
	require.NoError(t, im.Close(), "twice")
	_, err = im.Bytes(im.Bounds())
	require.Error(t, err)
	_, err = view.Bytes(im.Bounds())
	require.Error(t, err)
	require.NoError(t, os.Remove(path))

	// Failing to read a file leaves it closed as well.
	path = save(t, "bad.hex", []byte(":00"))
	_, err = image.Open(path, image.Options{})
	require.Error(t, err)
	require.NoError(t, os.Remove(path))

	// Records are in memory, but the file is still there to be looked at.
	im, err = image.Open(filepath.Join("testdata", "sample.hex"), image.Options{})
	require.NoError(t, err)
	require.NoError(t, im.Close())
	_, err = im.File().ReadAt(make([]byte, 1), 0)
	require.Error(t, err)
}

// Another program truncates the file while it is open: an error, no crash.
func TestTruncatedMeanwhile(t *testing.T) {
	path := save(t, "in.bin", counting(1<<20))
	im, err := image.Open(path, image.Options{})
	require.NoError(t, err)
	defer im.Close()
	if err := os.Truncate(path, 4096); err != nil {
		t.Skipf("the system protects an open file: %v", err)
	}
	_, err = im.Bytes(im.Bounds())
	require.ErrorContains(t, err, "truncated")
	got, err := im.Bytes(image.Range{Start: 0, Size: 4096})
	require.NoError(t, err, "what is left can still be read")
	assert.True(t, bytes.Equal(counting(4096), got))
}

// A raw file is never copied whole: reading all of a large one through Blocks
// takes one buffer. (The limit leaves room for what the runtime allocates.)
func TestRawIsNotCopied(t *testing.T) {
	path := save(t, "in.bin", make([]byte, 8<<20))
	im, err := image.Open(path, image.Options{})
	require.NoError(t, err)
	defer im.Close()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	total := 0
	require.NoError(t, im.Blocks(im.Bounds(), func(_ uint64, block []byte) error { total += len(block); return nil }))
	runtime.ReadMemStats(&after)
	assert.Equal(t, 8<<20, total)
	assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(512<<10))
}

// Formats with gaps and odd line structure through one reader at a time, with a
// file much larger than the scanner's buffer.
func TestLargeRecordFiles(t *testing.T) {
	data := counting(700001)
	segments := []image.Segment{{Start: 0x123, Data: data}, {Start: 0x200000, Data: data[:1000]}}
	im := mustImage(t, segments...)
	for _, end := range []string{"\n", "\r\n", "\r"} {
		for _, blank := range []string{"", " \t"} {
			var hex, srec bytes.Buffer
			require.NoError(t, image.WriteIntelHex(&hex, im, image.IntelHexOptions{LineEnd: end}))
			require.NoError(t, image.WriteSRecord(&srec, im, image.SRecordOptions{LineEnd: end, Count: true}))
			for _, file := range []string{hex.String(), srec.String()} {
				file = strings.ReplaceAll(file, end, blank+end+end+blank) // blank lines, blanks at both ends
				back, err := read(file, image.Options{})
				require.NoError(t, err)
				require.Equal(t, im.Segments(), back.Segments())
				got, err := back.Bytes(back.Segments()[0])
				require.NoError(t, err)
				require.True(t, bytes.Equal(data, got))
			}
		}
	}
}
