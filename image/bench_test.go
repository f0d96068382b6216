package image_test

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/exp/mmap"

	"example.com/calproof/image"
)

// benchSize is large enough that the start of objcopy does not count.
const benchSize = 16 << 20

// benchBase is an address that needs the widest records.
const benchBase = 0x10000000

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

// measure calls run once for each iteration. It reports the rate of benchSize
// bytes of memory and the mean and the least processor time of one run, which
// on a busy machine say more than the time on the clock. run returns the time
// of a child it waited for; ours is added.
func measure(b *testing.B, run func() time.Duration) {
	b.SetBytes(benchSize)
	b.ReportAllocs()
	var sum, least time.Duration
	for b.Loop() {
		before := cpuTime()
		used := run()
		used += cpuTime() - before
		sum += used
		if least == 0 || used < least {
			least = used
		}
	}
	ms := func(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
	b.ReportMetric(ms(sum)/float64(b.N), "cpu-ms/op")
	b.ReportMetric(ms(least), "least-cpu-ms")
}

// measureObjcopy is measure for a run of objcopy, its start included.
func measureObjcopy(b *testing.B, args ...string) {
	b.Helper()
	tool, err := exec.LookPath("objcopy")
	if err != nil {
		b.Skip("objcopy is not installed")
	}
	measure(b, func() time.Duration {
		cmd := exec.Command(tool, args...)
		out, err := cmd.CombinedOutput()
		require.NoError(b, err, "%s", out)
		return cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	})
}

// BenchmarkRead compares reading a file of records with objcopy. It cannot but
// write what it read, so the run "to=raw" writes the same raw file; the run
// without is the reader alone. The files are best in memory: set TMPDIR to a
// folder there, such as /dev/shm.
func BenchmarkRead(b *testing.B) {
	im := mustImage(b, image.Segment{Start: benchBase, Data: counting(benchSize)})
	for name, write := range recordFormats() {
		path := filepath.Join(b.TempDir(), "in."+name)
		require.NoError(b, os.WriteFile(path, written(b, func(w *bytes.Buffer) error { return write(w, im) }), 0o666))
		open := func(b *testing.B) *image.Image {
			back, err := image.Open(path, image.Options{})
			require.NoError(b, err)
			return back
		}
		b.Run(fmt.Sprintf("format=%s/by=calproof", name), func(b *testing.B) {
			measure(b, func() time.Duration {
				require.NoError(b, open(b).Close())
				return 0
			})
		})
		b.Run(fmt.Sprintf("format=%s/by=calproof/to=raw", name), func(b *testing.B) {
			measure(b, func() time.Duration {
				back := open(b)
				f, err := os.Create(path + ".raw")
				require.NoError(b, err)
				require.NoError(b, image.WriteRaw(f, back, image.RawOptions{}))
				require.NoError(b, f.Close())
				require.NoError(b, back.Close())
				return 0
			})
		})
		b.Run(fmt.Sprintf("format=%s/by=objcopy/to=raw", name), func(b *testing.B) {
			measureObjcopy(b, "-I", name, "-O", "binary", path, path+".objcopy")
		})
	}
}

// BenchmarkWrite compares writing a file of records from a raw file; both
// write the same data records. "to=memory" leaves out what the kernel takes for
// the file.
func BenchmarkWrite(b *testing.B) {
	path := filepath.Join(b.TempDir(), "in.bin")
	require.NoError(b, os.WriteFile(path, counting(benchSize), 0o666))
	convert := func(b *testing.B, write func(io.Writer, *image.Image) error, w io.Writer) {
		im, err := image.Open(path, image.Options{Format: image.FormatRaw, Base: new(uint64(benchBase))})
		require.NoError(b, err)
		require.NoError(b, write(w, im))
		require.NoError(b, im.Close())
	}
	for name, write := range recordFormats() {
		b.Run(fmt.Sprintf("format=%s/by=calproof/to=memory", name), func(b *testing.B) {
			measure(b, func() time.Duration {
				convert(b, write, io.Discard)
				return 0
			})
		})
		b.Run(fmt.Sprintf("format=%s/by=calproof", name), func(b *testing.B) {
			measure(b, func() time.Duration {
				f, err := os.Create(path + "." + name)
				require.NoError(b, err)
				convert(b, write, f)
				require.NoError(b, f.Close())
				return 0
			})
		})
		b.Run(fmt.Sprintf("format=%s/by=objcopy", name), func(b *testing.B) {
			measureObjcopy(b, "-I", "binary", "-O", name, "--change-addresses", fmt.Sprint(benchBase), path, path+".objcopy")
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
