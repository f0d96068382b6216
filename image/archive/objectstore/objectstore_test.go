package objectstore_test

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive"
	"example.com/calproof/image/archive/objectstore"
	"example.com/calproof/image/evidence"
)

var ctx = context.Background()

func noise(seed byte, size int) []byte {
	r := rand.NewChaCha8([32]byte{seed})
	data := make([]byte, size)
	r.Read(data)
	return data
}

// shop makes an archive with entries of the given sizes.
func shop(t testing.TB, sizes ...int) *archive.Archive {
	t.Helper()
	a, err := archive.Init(filepath.Join(t.TempDir(), "shop"), archive.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { a.Close() })
	for i, size := range sizes {
		_, err := a.Add(ctx, archive.Addition{Vehicle: "Groomer 2", Kind: archive.Backup, Image: archive.BytesSource("backup.bin", noise(byte(i), size))})
		require.NoError(t, err)
	}
	return a
}

func open(t testing.TB, url string) *objectstore.Bucket {
	t.Helper()
	s, err := objectstore.Open(ctx, url)
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

func verify(t testing.TB, s archive.Store) *archive.Verification {
	t.Helper()
	r, err := archive.StoreReader(ctx, s)
	require.NoError(t, err)
	v, err := r.Verify(ctx, archive.VerifyOptions{BothHashes: true})
	require.NoError(t, err)
	return v
}

// equal demands that two archives hold the same files.
func equal(t testing.TB, a, b *archive.Archive) {
	t.Helper()
	load := func(a *archive.Archive) map[string]string {
		out := map[string]string{}
		fsys := os.DirFS(filepath.Join(a.Dir(), "groomer-2"))
		require.NoError(t, fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			data, err := fs.ReadFile(fsys, name)
			out[name] = string(data)
			return err
		}))
		return out
	}
	assert.Equal(t, load(a), load(b))
}

// contract checks what an archive needs of any bucket, from push to two shops
// that meet.
func contract(t *testing.T, url string) {
	a, s := shop(t, 1000, 70_000, 0), open(t, url)
	got, err := a.Push(ctx, s, "Groomer 2")
	require.NoError(t, err)
	assert.Len(t, got.Moved, 3)
	v := verify(t, s)
	assert.Equal(t, evidence.Pass, v.Verdict, "%v", v.Findings)
	assert.Equal(t, 3, v.Entries)
	got, err = a.Push(ctx, s, "Groomer 2")
	require.NoError(t, err)
	assert.Empty(t, got.Moved)

	folders, err := archive.StoredVehicles(ctx, s)
	require.NoError(t, err)
	assert.Equal(t, []string{"groomer-2"}, folders)
	b := shop(t)
	got, err = b.Pull(ctx, s, "groomer-2")
	require.NoError(t, err)
	assert.Len(t, got.Moved, 3)
	equal(t, a, b)

	// An object is never overwritten.
	require.NoError(t, s.Create(ctx, "x/y", strings.NewReader("one"), 3))
	assert.ErrorIs(t, s.Create(ctx, "x/y", strings.NewReader("two"), 3), fs.ErrExist)
	r, err := s.Open(ctx, "x/y", 1)
	require.NoError(t, err)
	var out bytes.Buffer
	_, err = out.ReadFrom(r)
	require.NoError(t, err)
	require.NoError(t, r.Close())
	assert.Equal(t, "ne", out.String())
	r, err = s.Open(ctx, "x/y", 3)
	require.NoError(t, err)
	require.NoError(t, r.Close())
	_, err = s.Open(ctx, "x/z", 0)
	assert.ErrorIs(t, err, fs.ErrNotExist)
	assert.Error(t, s.Create(ctx, "x/short", strings.NewReader("abc"), 5), "less than was announced")
	_, err = s.Open(ctx, "x/short", 0)
	assert.ErrorIs(t, err, fs.ErrNotExist, "half an object is there")

	// Two shops, each with a fourth entry of its own.
	for i, x := range []*archive.Archive{a, b} {
		_, err := x.Add(ctx, archive.Addition{Vehicle: "Groomer 2", Kind: archive.Readback, Image: archive.BytesSource("r.bin", noise(byte(50+i), 500))})
		require.NoError(t, err)
	}
	_, err = a.Push(ctx, s, "Groomer 2")
	require.NoError(t, err)
	_, err = b.Push(ctx, s, "Groomer 2")
	assert.ErrorIs(t, err, archive.ErrDiverged)
}

func TestFileBucket(t *testing.T) {
	dir := t.TempDir()
	contract(t, "file://"+filepath.ToSlash(dir)+"?metadata=skip")
}

func TestMissingBucket(t *testing.T) {
	_, err := objectstore.Open(ctx, "file:///no/such/folder/anywhere")
	assert.Error(t, err)
	_, err = objectstore.Open(ctx, "nonsense://x")
	assert.Error(t, err)
}

// damage flips a byte of a stored image, on the disk of the server.
func damage(t *testing.T, dir string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "groomer-2", "0002-*", "data", "image", "backup.bin"))
	require.NoError(t, err)
	require.Len(t, files, 1)
	f, err := os.OpenFile(files[0], os.O_RDWR, 0)
	require.NoError(t, err)
	defer f.Close()
	var b [1]byte
	_, err = f.ReadAt(b[:], 4000)
	require.NoError(t, err)
	b[0] ^= 1
	_, err = f.WriteAt(b[:], 4000)
	require.NoError(t, err)
}

func TestDamageOnTheServer(t *testing.T) {
	dir := t.TempDir()
	s := open(t, "file://"+filepath.ToSlash(dir)+"?metadata=skip")
	_, err := shop(t, 1000, 9000).Push(ctx, s, "Groomer 2")
	require.NoError(t, err)
	damage(t, dir)
	v := verify(t, s)
	assert.Equal(t, evidence.Fail, v.Verdict)
	assert.Contains(t, fmt.Sprint(v.Findings), "groomer-2/0002-backup")
	b := shop(t)
	got, err := b.Pull(ctx, s, "groomer-2")
	assert.ErrorIs(t, err, archive.ErrRefused)
	assert.Len(t, got.Moved, 1, "the first entry is sound")
}
