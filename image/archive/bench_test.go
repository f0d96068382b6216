package archive

import (
	"crypto/sha256"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image/imagetest"
)

// benchArchive is an archive of 4 vehicles with 8 images of 4 MiB each, and the
// number of payload and tag bytes in it.
func benchArchive(b *testing.B) (*Archive, []string, int64) {
	b.Helper()
	a := newArchive(b)
	for v := range 4 {
		for i := range 8 {
			_, err := a.Add(ctx, Addition{Vehicle: fmt.Sprint("v", v), Kind: Backup, Image: BytesSource("x.bin", noise(uint64(v*8+i), 4<<20))})
			require.NoError(b, err)
		}
	}
	var files []string
	var size int64
	err := filepath.WalkDir(a.Dir(), func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			info, err := d.Info()
			if err != nil {
				return err
			}
			files = append(files, p)
			size += info.Size()
		}
		return err
	})
	require.NoError(b, err)
	return a, files, size
}

// BenchmarkVerify compares `verify --all` with sha256sum on the same files, one
// process a processor, and with the SHA-256 rate of Go's standard library over
// memory on all processors.
func BenchmarkVerify(b *testing.B) {
	a, files, size := benchArchive(b)
	b.Run("calproof", func(b *testing.B) {
		b.SetBytes(size)
		for b.Loop() {
			_, err := a.Verify(ctx, VerifyOptions{})
			require.NoError(b, err)
		}
	})
	b.Run("calproof-sha512-too", func(b *testing.B) {
		b.SetBytes(size)
		for b.Loop() {
			_, err := a.Verify(ctx, VerifyOptions{BothHashes: true})
			require.NoError(b, err)
		}
	})
	b.Run("sha256sum", func(b *testing.B) {
		tool := imagetest.Tool(b, "sha256sum")
		workers := runtime.GOMAXPROCS(0)
		b.SetBytes(size)
		for b.Loop() {
			var wg sync.WaitGroup
			for w := range workers {
				wg.Go(func() {
					var own []string
					for i := w; i < len(files); i += workers {
						own = append(own, files[i])
					}
					cmd := exec.Command(tool, own...)
					cmd.Stdout = io.Discard
					if err := cmd.Run(); err != nil {
						b.Error(err)
					}
				})
			}
			wg.Wait()
		}
	})
	b.Run("sha256-of-memory", func(b *testing.B) {
		workers := runtime.GOMAXPROCS(0)
		data := noise(1, 4<<20)
		b.SetBytes(int64(workers * len(data)))
		for b.Loop() {
			var wg sync.WaitGroup
			for range workers {
				wg.Go(func() { sha256.Sum256(data) })
			}
			wg.Wait()
		}
	})
}

// BenchmarkAdd keeps an image of 1 MiB: hashed with both algorithms, written,
// read back and hashed again. Flushing is left out, as its cost is the disk's.
func BenchmarkAdd(b *testing.B) {
	a := newArchive(b)
	image := noise(1, 1<<20)
	b.SetBytes(int64(len(image)))
	for i := 0; b.Loop(); i++ {
		_, err := a.Add(ctx, Addition{Vehicle: "v" + strconv.Itoa(i/20), Kind: Backup, Image: BytesSource("x.bin", image), Again: true})
		require.NoError(b, err)
	}
}

// BenchmarkList lists 10,000 entries in 1,000 vehicles.
func BenchmarkList(b *testing.B) {
	a := newArchive(b)
	for i := range 10 {
		_, err := a.Add(ctx, backup("g", noise(uint64(i), 100)))
		require.NoError(b, err)
	}
	for i := range 999 {
		require.NoError(b, os.CopyFS(filepath.Join(a.Dir(), fmt.Sprintf("g-%03d", i)), os.DirFS(filepath.Join(a.Dir(), "g"))))
	}
	for b.Loop() {
		n := 0
		for v, err := range a.Vehicles(ctx) {
			require.NoError(b, err)
			n += len(v.Entries)
		}
		require.Equal(b, 10_000, n)
	}
}
