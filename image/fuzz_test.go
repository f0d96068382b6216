package image_test

import (
	"bytes"
	"debug/elf"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
)

// seeds returns the files of testdata with an extension, and the mistakes of
// the error tests.
func seeds(t testing.TB, extension string, mistakes []mistake) [][]byte {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join("testdata", "*"+extension))
	require.NoError(t, err)
	var all [][]byte
	for _, path := range paths {
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		all = append(all, data)
	}
	for _, m := range mistakes {
		all = append(all, []byte(m.file))
	}
	return all
}

func elfSeeds() [][]byte {
	l := []load{{elf.PT_LOAD, 0x8000, 0x20000000, 9, "data"}, {elf.PT_NOTE, 1, 1, 0, "note"}, {elf.PT_LOAD, 0x100, 0x100, 0, "program"}}
	return [][]byte{
		elf64(binary.LittleEndian, 0x100, l...), elf64(binary.BigEndian, 0x100, l...),
		elf32(binary.LittleEndian, 0x100, l...), elf32(binary.BigEndian, 0x100, l...),
	}
}

// The seeds are there and do what they are for: good ones are read, in the
// format that their fuzz target is for, and bad ones are not.
func TestSeedsLoad(t *testing.T) {
	for format, files := range map[image.Format][][]byte{
		image.FormatIntelHex: seeds(t, ".hex", intelHexMistakes()),
		image.FormatSRecord:  seeds(t, ".srec", sRecordMistakes()),
		image.FormatELF:      elfSeeds(),
	} {
		good, bad := 0, 0
		for _, file := range files {
			im, err := read(string(file), image.Options{})
			var list *image.FormatErrors
			switch {
			case err == nil && im.Format() == format:
				good++
			case errors.As(err, &list) && list.Errors[0].Format == format:
				bad++
			default:
				t.Errorf("%s: %v from %.80q", format, err, file)
			}
		}
		require.GreaterOrEqual(t, good, 4, "%s", format)
		require.True(t, bad >= 25 || format == image.FormatELF, "%s: %d bad ones", format, bad)
	}
}

// fuzz reads data as a file of format. It must not panic, take more memory than
// a multiple of the file, or give an image that is written and read again as
// another one. What is good must also be told by its bytes.
func fuzz(t *testing.T, data []byte, format image.Format) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	im, err := read(string(data), image.Options{Format: format})
	runtime.ReadMemStats(&after)
	// The constant part is that of debug/elf, which reads in pieces of 10 MiB.
	if used := after.TotalAlloc - before.TotalAlloc; used > 64*uint64(len(data))+32<<20 {
		t.Fatalf("%d bytes allocated for a file of %d", used, len(data))
	}
	if err != nil {
		require.NotEmpty(t, err.Error())
		require.Nil(t, im)
		return
	}
	require.NotZero(t, im.Size())
	for _, write := range []func(io.Writer) error{
		func(w io.Writer) error { return image.WriteIntelHex(w, im, image.IntelHexOptions{}) },
		func(w io.Writer) error { return image.WriteSRecord(w, im, image.SRecordOptions{}) },
	} {
		var out bytes.Buffer
		if err := write(&out); err != nil {
			require.Empty(t, out.Bytes(), "a refusal comes before the first byte")
			require.True(t, im.Bounds().Last() > 0xFFFFFFFF || hasStartBeyond(im) || len(im.Header()) > 200, "%v", err)
			continue
		}
		again, err := image.New(bytes.NewReader(out.Bytes()), int64(out.Len()), image.Options{})
		require.NoError(t, err)
		require.Equal(t, im.Segments(), again.Segments())
		for _, s := range im.Segments() {
			was, err := im.Bytes(s)
			require.NoError(t, err)
			is, err := again.Bytes(s)
			require.NoError(t, err)
			require.True(t, bytes.Equal(was, is))
		}
		if again.Format() == image.FormatSRecord {
			require.Equal(t, im.Header(), again.Header())
		}
		was, _ := im.StartAddress()
		is, _ := again.StartAddress()
		require.Equal(t, was, is)
	}
}

func hasStartBeyond(im *image.Image) bool {
	start, _ := im.StartAddress()
	return start > 0xFFFFFFFF
}

func FuzzIntelHex(f *testing.F) {
	for _, seed := range seeds(f, ".hex", intelHexMistakes()) {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, data []byte) { fuzz(t, data, image.FormatIntelHex) })
}

func FuzzSRecord(f *testing.F) {
	for _, seed := range seeds(f, ".srec", sRecordMistakes()) {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, data []byte) { fuzz(t, data, image.FormatSRecord) })
}

func FuzzELF(f *testing.F) {
	for _, seed := range elfSeeds() {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, data []byte) { fuzz(t, data, image.FormatELF) })
}

// FuzzSniff leaves the choice of the format to the bytes.
func FuzzSniff(f *testing.F) {
	for _, all := range [][][]byte{seeds(f, ".hex", nil), seeds(f, ".srec", nil), elfSeeds(), {{0xFF, 0xFE, ':', 0, '0', 0}, []byte("text")}} {
		for _, seed := range all {
			f.Add(seed)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) { fuzz(t, data, image.FormatAuto) })
}

func FuzzParseRange(f *testing.F) {
	for _, s := range []string{"0x70000-0x7FFFF", "0x70000+0x10000", " 1 - 0xFFFFFFFFFFFFFFFF", "0b1+0o7", "1_0-2_0", "010-1", "-", "0-0xFFFFFFFFFFFFFFFF"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, err := image.ParseRange(s)
		if err != nil {
			return
		}
		require.NotZero(t, r.Size)
		require.GreaterOrEqual(t, r.Last(), r.Start)
		again, err := image.ParseRange(r.String())
		require.NoError(t, err)
		require.Equal(t, r, again)
	})
}
