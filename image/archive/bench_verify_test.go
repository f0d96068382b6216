package archive

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image/imagetest"
)

// benchArchive makes an archive on the disk of the temporary folder, with as
// many entries as sizes, and returns its files, the largest first.
func benchArchive(b *testing.B, sizes []int) (*Archive, []sized) {
	b.Helper()
	a, err := Init(filepath.Join(b.TempDir(), "archive"), testOptions())
	require.NoError(b, err)
	b.Cleanup(func() { a.Close() })
	a.disk = quickDisk{}
	for i, size := range sizes {
		add := backup(fmt.Sprint("v", i/10), noise(uint64(i), size))
		add.SecondRead = nil
		_, err := a.Add(ctx, add)
		require.NoError(b, err)
	}
	var files []sized
	err = filepath.WalkDir(a.Dir(), func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		files = append(files, sized{p, info.Size()})
		return err
	})
	require.NoError(b, err)
	slices.SortStableFunc(files, func(a, b sized) int { return cmp.Compare(b.size, a.size) })
	return a, files
}

type sized struct {
	path string
	size int64
}

// BenchmarkVerify compares `verify --all --hashes-only` with other ways to hash
// the same files on all processors: SHA-256 over memory that holds them, a loop
// that reads and hashes them in Go, sha256sum and openssl in one process a
// processor. The ways take turns, so that each sees the same machine. GB/s is
// by the clock; GB/cpu-s by the processor time, which says more on a busy
// machine. Of each the best round counts.
func BenchmarkVerify(b *testing.B) {
	var images, large []int
	for i := range 200 {
		images = append(images, 1<<20+i*(3<<20)/199) // 1 to 4 MiB
	}
	for range 6 {
		large = append(large, 64<<20)
	}
	b.Run("200-images", func(b *testing.B) { compareVerify(b, images) })
	b.Run("6-large-files", func(b *testing.B) { compareVerify(b, large) })
}

func compareVerify(b *testing.B, sizes []int) {
	a, files := benchArchive(b, sizes)
	var total int64
	memory := make([][]byte, len(files))
	for i, f := range files {
		var err error
		memory[i], err = os.ReadFile(f.path)
		require.NoError(b, err)
		total += f.size
	}
	hash := func(program string, args ...string) func() {
		return func() {
			n := runtime.GOMAXPROCS(0)
			shared(n, func(next func() (int, bool)) {
				for process, ok := next(); ok; process, ok = next() {
					list := slices.Clone(args)
					for i := process; i < len(files); i += n {
						list = append(list, files[i].path)
					}
					cmd := exec.Command(program, list...)
					cmd.Stdout = io.Discard
					if err := cmd.Run(); err != nil {
						b.Error(err)
					}
				}
			})
		}
	}
	ways := []struct {
		name string
		run  func()
	}{
		{"memory", func() {
			shared(len(files), func(next func() (int, bool)) {
				for i, ok := next(); ok; i, ok = next() {
					sha256.Sum256(memory[i])
				}
			})
		}},
		{"loop", func() {
			shared(len(files), func(next func() (int, bool)) {
				buf := make([]byte, 128<<10)
				for i, ok := next(); ok; i, ok = next() {
					if err := readAndHash(files[i].path, buf); err != nil {
						b.Error(err)
					}
				}
			})
		}},
		{"calproof", func() {
			_, err := a.Verify(ctx, VerifyOptions{})
			require.NoError(b, err)
		}},
		{"calproof-sha512-too", func() {
			_, err := a.Verify(ctx, VerifyOptions{BothHashes: true})
			require.NoError(b, err)
		}},
		{"sha256sum", hash(imagetest.Tool(b, "sha256sum"))},
		{"openssl", hash(imagetest.Tool(b, "openssl"), "dgst", "-sha256")},
	}
	clock, cpu := make([]time.Duration, len(ways)), make([]time.Duration, len(ways))
	for b.Loop() {
		for i, w := range ways {
			cpuFrom, from := cpuTime(), time.Now()
			w.run()
			clock[i] = least(clock[i], time.Since(from))
			cpu[i] = least(cpu[i], cpuTime()-cpuFrom)
		}
	}
	for i, w := range ways {
		b.ReportMetric(float64(total)/1e9/clock[i].Seconds(), w.name+"-GB/s")
		b.ReportMetric(float64(total)/1e9/cpu[i].Seconds(), w.name+"-GB/cpu-s")
	}
	b.ReportMetric(float64(clock[0])/float64(clock[2]), "of-memory")
	b.ReportMetric(float64(cpu[0])/float64(cpu[2]), "of-memory-cpu")
	b.ReportMetric(float64(clock[1])/float64(clock[2]), "of-loop")
	b.ReportMetric(float64(cpu[1])/float64(cpu[2]), "of-loop-cpu")
}

// least returns the smaller of two durations; 0 is none yet.
func least(a, b time.Duration) time.Duration {
	if a == 0 {
		return b
	}
	return min(a, b)
}

func readAndHash(path string, buf []byte) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = io.CopyBuffer(sha256.New(), struct{ io.Reader }{f}, buf)
	return err
}

// shared has one goroutine a processor take the numbers below n in turn.
func shared(n int, work func(next func() (int, bool))) {
	var taken atomic.Int64
	next := func() (int, bool) {
		i := int(taken.Add(1)) - 1
		return i, i < n
	}
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() { work(next) })
	}
	wg.Wait()
}
