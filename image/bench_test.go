package image_test

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/exp/mmap"

	"example.com/calproof/image"
)

// benchImage is an image of 8 MiB without gaps, at an address that needs the
// widest records.
func benchImage(b *testing.B) *image.Image {
	return mustImage(b, image.Segment{Start: 0x10000000, Data: counting(8 << 20)})
}

// recordFormats are the writers of the two formats, and objcopy's names for
// them.
func recordFormats() map[string]func(io.Writer, *image.Image) error {
	return map[string]func(io.Writer, *image.Image) error{
		"ihex": func(w io.Writer, im *image.Image) error {
			return image.WriteIntelHex(w, im, image.IntelHexOptions{LineEnd: "\r\n"})
		},
		"srec": func(w io.Writer, im *image.Image) error {
			return image.WriteSRecord(w, im, image.SRecordOptions{LineEnd: "\r\n"})
		},
	}
}

// runObjcopy runs objcopy once; the rate counts memory bytes, as for us.
func runObjcopy(b *testing.B, args ...string) {
	b.Helper()
	tool, err := exec.LookPath("objcopy")
	if err != nil {
		b.Skip("objcopy is not installed")
	}
	for b.Loop() {
		if out, err := exec.Command(tool, args...).CombinedOutput(); err != nil {
			b.Fatalf("objcopy: %s", out)
		}
	}
}

// BenchmarkRead compares reading a file of records with objcopy, which also
// writes the result as a raw file; the rates of "to=raw" therefore let us write
// one too. Bytes are those of the memory.
func BenchmarkRead(b *testing.B) {
	for name, write := range recordFormats() {
		im := benchImage(b)
		path := filepath.Join(b.TempDir(), "in."+name)
		require.NoError(b, os.WriteFile(path, written(b, func(w *bytes.Buffer) error { return write(w, im) }), 0o666))
		open := func(b *testing.B) *image.Image {
			back, err := image.Open(path, image.Options{})
			require.NoError(b, err)
			return back
		}
		b.Run(fmt.Sprintf("format=%s/by=calproof", name), func(b *testing.B) {
			b.SetBytes(int64(im.Size()))
			b.ReportAllocs()
			for b.Loop() {
				open(b).Close()
			}
		})
		b.Run(fmt.Sprintf("format=%s/by=calproof/to=raw", name), func(b *testing.B) {
			b.SetBytes(int64(im.Size()))
			for b.Loop() {
				back := open(b)
				f, err := os.Create(path + ".raw")
				require.NoError(b, err)
				require.NoError(b, image.WriteRaw(f, back, image.RawOptions{}))
				require.NoError(b, f.Close())
				require.NoError(b, back.Close())
			}
		})
		b.Run(fmt.Sprintf("format=%s/by=objcopy/to=raw", name), func(b *testing.B) {
			b.SetBytes(int64(im.Size()))
			runObjcopy(b, "-I", name, "-O", "binary", path, path+".objcopy")
		})
	}
}

// BenchmarkWrite compares writing a file of records from a raw file.
func BenchmarkWrite(b *testing.B) {
	for name, write := range recordFormats() {
		data := counting(8 << 20)
		path := filepath.Join(b.TempDir(), "in.bin")
		require.NoError(b, os.WriteFile(path, data, 0o666))
		b.Run(fmt.Sprintf("format=%s/by=calproof", name), func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				im, err := image.Open(path, image.Options{Format: image.FormatRaw, Base: new(uint64(0x10000000))})
				require.NoError(b, err)
				f, err := os.Create(path + "." + name)
				require.NoError(b, err)
				require.NoError(b, write(f, im))
				require.NoError(b, f.Close())
				require.NoError(b, im.Close())
			}
		})
		b.Run(fmt.Sprintf("format=%s/by=objcopy", name), func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			runObjcopy(b, "-I", "binary", "-O", name, "--change-addresses", "0x10000000", path, path+".objcopy")
		})
	}
}

// BenchmarkRaw compares Blocks over a raw file of 64 MiB with a plain loop over
// the mapping and over the open file. B/op shows that nothing is copied whole.
func BenchmarkRaw(b *testing.B) {
	const size = 64 << 20
	path := filepath.Join(b.TempDir(), "in.bin")
	require.NoError(b, os.WriteFile(path, counting(size), 0o666))
	b.Run("by=calproof", func(b *testing.B) {
		im, err := image.Open(path, image.Options{Format: image.FormatRaw})
		require.NoError(b, err)
		defer im.Close()
		b.SetBytes(size)
		b.ReportAllocs()
		for b.Loop() {
			require.NoError(b, im.Blocks(im.Bounds(), func(uint64, []byte) error { return nil }))
		}
	})
	plain := func(b *testing.B, r io.ReaderAt) {
		buf := make([]byte, 64<<10)
		b.SetBytes(size)
		b.ReportAllocs()
		for b.Loop() {
			for off := int64(0); off < size; off += int64(len(buf)) {
				if _, err := r.ReadAt(buf, off); err != nil {
					b.Fatal(err)
				}
			}
		}
	}
	b.Run("by=mmap", func(b *testing.B) {
		r, err := mmap.Open(path)
		require.NoError(b, err)
		defer r.Close()
		plain(b, r)
	})
	b.Run("by=file", func(b *testing.B) {
		f, err := os.Open(path)
		require.NoError(b, err)
		defer f.Close()
		plain(b, f)
	})
}

// BenchmarkViews shows what a view costs over the image beneath it.
func BenchmarkViews(b *testing.B) {
	im := mustImage(b, image.Segment{Start: 0, Data: counting(8 << 20)})
	parts, err := im.Split(0, 2, 1)
	require.NoError(b, err)
	joined, err := image.Join(0, 1, parts...)
	require.NoError(b, err)
	swapped, err := im.Swap(2)
	require.NoError(b, err)
	for name, view := range map[string]*image.Image{"none": im, "split": parts[1], "split and join": joined, "swap": swapped} {
		b.Run("view="+name, func(b *testing.B) {
			b.SetBytes(int64(view.Size()))
			for b.Loop() {
				require.NoError(b, view.Blocks(view.Bounds(), func(uint64, []byte) error { return nil }))
			}
		})
	}
}
