package archive

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

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
