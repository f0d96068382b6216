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
	"slices"
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

// BenchmarkVerify compares `verify --all` with sha256sum and openssl on the same
// files, one process a processor, with a plain loop that reads and hashes them,
// and with SHA-256 over memory, on all processors.
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
	for tool, args := range map[string][]string{"sha256sum": nil, "openssl": {"dgst", "-sha256"}} {
		b.Run(tool, func(b *testing.B) {
			program := imagetest.Tool(b, tool)
			b.SetBytes(size)
			for b.Loop() {
				shared(len(files), func(own []int) {
					list := slices.Clone(args)
					for _, i := range own {
						list = append(list, files[i])
					}
					cmd := exec.Command(program, list...)
					cmd.Stdout = io.Discard
					if err := cmd.Run(); err != nil {
						b.Error(err)
					}
				})
			}
		})
	}
	b.Run("read-and-sha256", func(b *testing.B) { // what reading and hashing cost at least
		b.SetBytes(size)
		for b.Loop() {
			shared(len(files), func(own []int) {
				buf := make([]byte, 128<<10)
				for _, i := range own {
					f, err := os.Open(files[i])
					if err != nil {
						b.Error(err)
						return
					}
					h := sha256.New()
					if _, err := io.CopyBuffer(h, struct{ io.Reader }{f}, buf); err != nil {
						b.Error(err)
					}
					f.Close()
				}
			})
		}
	})
	b.Run("sha256-of-memory", func(b *testing.B) {
		images := make([][]byte, 32) // as many and as large as those on disk
		for i := range images {
			images[i] = noise(uint64(i), 4<<20)
		}
		b.SetBytes(32 * 4 << 20)
		for b.Loop() {
			shared(len(images), func(own []int) {
				for _, i := range own {
					sha256.Sum256(images[i])
				}
			})
		}
	})
}

// shared gives each processor its part of the numbers below n.
func shared(n int, fn func(own []int)) {
	workers := runtime.GOMAXPROCS(0)
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			var own []int
			for i := w; i < n; i += workers {
				own = append(own, i)
			}
			fn(own)
		})
	}
	wg.Wait()
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
