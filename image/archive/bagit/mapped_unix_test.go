//go:build unix

package bagit_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive/bagit"
)

// bagOnDisk writes a bag with one large payload file.
func bagOnDisk(t *testing.T, size int) (dir, payload string) {
	t.Helper()
	data := make([]byte, size)
	for i := range data {
		data[i] = byte(i ^ i>>8 ^ i>>16)
	}
	dir = t.TempDir()
	for name, file := range bagOf(map[string]string{"image.bin": string(data)}) {
		place := filepath.Join(dir, filepath.FromSlash(name))
		require.NoError(t, os.MkdirAll(filepath.Dir(place), 0o755))
		require.NoError(t, os.WriteFile(place, file.Data, 0o644))
	}
	return dir, filepath.Join(dir, "data", "image.bin")
}

// TestLargeFileIsMapped: the sums of a mapped file are those that bagOf
// computed over memory, also when its size is no multiple of a piece or page.
func TestLargeFileIsMapped(t *testing.T) {
	for _, size := range []int{256 << 10, 256<<10 + 1, 3<<20 - 7} {
		dir, _ := bagOnDisk(t, size)
		var told int64
		report, err := bagit.Validate(context.Background(), os.DirFS(dir), bagit.Options{Progress: func(n int64) { told += n }})
		require.NoError(t, err)
		assert.True(t, report.Accepted(), "%v", report.Problems)
		assert.Equal(t, report.Hashed, told)
	}
}

// TestFileCutOffWhileMapped: a file that another program cuts off under a
// mapping is an ordinary finding, not the end of the program.
func TestFileCutOffWhileMapped(t *testing.T) {
	dir, payload := bagOnDisk(t, 8<<20)
	cut := false
	report, err := bagit.Validate(context.Background(), os.DirFS(dir), bagit.Options{Progress: func(n int64) {
		if n >= 1<<20 && !cut {
			cut = true
			require.NoError(t, os.Truncate(payload, 4096))
		}
	}})
	require.NoError(t, err)
	require.True(t, cut)
	var codes []string
	for _, p := range report.Problems {
		codes = append(codes, p.Code)
		assert.Equal(t, "data/image.bin", p.Path)
	}
	assert.Equal(t, []string{"size-changed", "hash-mismatch", "hash-mismatch"}, codes)
}

// TestEndWhileMapped: a context that ends is noticed in the middle of a file.
func TestEndWhileMapped(t *testing.T) {
	dir, _ := bagOnDisk(t, 8<<20)
	ctx, cancel := context.WithCancel(context.Background())
	var told int64
	_, err := bagit.Validate(ctx, os.DirFS(dir), bagit.Options{Progress: func(n int64) {
		told += n
		cancel()
	}})
	assert.ErrorIs(t, err, context.Canceled)
	assert.Less(t, told, int64(2<<20))
}
