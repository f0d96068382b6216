package archive

import (
	"context"
	"io/fs"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
)

// openCounter counts how often each file is opened.
type openCounter struct {
	*memFS
	mu    sync.Mutex
	times map[string]int
}

func (c *openCounter) Open(name string) (fs.File, error) {
	c.mu.Lock()
	c.times[name]++
	c.mu.Unlock()
	return c.memFS.Open(name)
}

// TestPayloadIsReadOnce: the bytes that a kept verdict is computed from again
// are those that were hashed; no file is opened a second time for it.
func TestPayloadIsReadOnce(t *testing.T) {
	a := newArchive(t)
	for i := range 3 {
		_, err := a.Add(ctx, backup("g", noise(uint64(i), 5000)))
		require.NoError(t, err)
	}
	c := &openCounter{memFS: newMemFS(loadFS(t, a.Dir())), times: map[string]int{}}
	var mu sync.Mutex
	judged := 0
	v, err := (&Reader{fsys: c}).Verify(ctx, VerifyOptions{Recompute: func(_ context.Context, kept Kept) (evidence.Verdict, error) {
		for _, file := range []string{kept.ImagePath, kept.SecondReadPath, kept.MapPath, kept.VerdictPath} {
			data, err := fs.ReadFile(kept.FS, file)
			if err != nil {
				return "", err
			}
			if file == kept.ImagePath {
				assert.Equal(t, kept.ImageSHA256, sumOf(data))
			}
			data[0] ^= 1 // it is the caller's
		}
		mu.Lock()
		defer mu.Unlock()
		judged++
		return evidence.Pass, nil
	}})
	require.NoError(t, err)
	require.Empty(t, v.Findings)
	assert.Equal(t, 3, judged)
	assert.Equal(t, 3, v.Verdicts)
	assert.Equal(t, 3, v.Recomputed)
	payload := 0
	for file, n := range c.times {
		if strings.Contains(file, "/data/") {
			payload++
			assert.Equal(t, 1, n, file)
		}
	}
	assert.Equal(t, 3*7, payload)
}

// TestProgressCountsBytes: what is told never goes back and ends at what was
// hashed, of which the payload was announced.
func TestProgressCountsBytes(t *testing.T) {
	a := newArchive(t)
	for i := range 3 {
		_, err := a.Add(ctx, backup("g", noise(uint64(i), 3<<20)))
		require.NoError(t, err)
	}
	var last Progress
	calls := 0
	v, err := a.Verify(ctx, VerifyOptions{Progress: func(p Progress) {
		calls++
		assert.GreaterOrEqual(t, p.Bytes, last.Bytes)
		assert.GreaterOrEqual(t, p.Entries, last.Entries)
		last = p
	}})
	require.NoError(t, err)
	assert.Equal(t, v.Bytes, last.Bytes)
	assert.Equal(t, 3, last.Entries)
	assert.Equal(t, 3, last.Of)
	assert.Greater(t, last.OfBytes, int64(3*2*3<<20), "image and second read of each")
	assert.Less(t, last.OfBytes, last.Bytes)
	assert.Greater(t, calls, 3+3*2*3)
}

// TestLargeEntriesComeFirst, whatever their vehicles are called.
func TestLargeEntriesComeFirst(t *testing.T) {
	a := newArchive(t)
	for i, size := range []int{100, 20_000, 300} {
		_, err := a.Add(ctx, backup(string(rune('a'+i)), noise(uint64(i), size)))
		require.NoError(t, err)
	}
	_, err := a.Add(ctx, backup("c", noise(9, 5000)))
	require.NoError(t, err)
	var order []string
	_, err = a.Verify(ctx, VerifyOptions{Workers: 1, Recompute: func(_ context.Context, kept Kept) (evidence.Verdict, error) {
		order = append(order, kept.Ref())
		return evidence.Pass, nil
	}})
	require.NoError(t, err)
	assert.Equal(t, []string{"b/0001-backup-2026-11-25", "c/0002-backup-2026-11-25", "c/0001-backup-2026-11-25", "a/0001-backup-2026-11-25"}, order)
}
