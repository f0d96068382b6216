package archive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
)

// memStore is a store in memory. before is called ahead of each operation and
// may fail it; store may change what is stored; body may change what is read.
type memStore struct {
	mu      sync.Mutex
	objects map[string][]byte
	before  func(op, name string) error
	store   func(name string, data []byte) []byte // nil result: nothing is stored
	body    func(name string, r io.Reader) io.Reader
}

func newMemStore() *memStore { return &memStore{objects: map[string][]byte{}} }

func (s *memStore) step(op, name string) error {
	if s.before == nil {
		return nil
	}
	return s.before(op, name)
}

func (s *memStore) Create(_ context.Context, name string, r io.Reader, size int64) error {
	if err := s.step("create", name); err != nil {
		return err
	}
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if int64(len(data)) != size {
		return fmt.Errorf("%d bytes, not %d", len(data), size)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := s.objects[name]; ok {
		return fmt.Errorf("%s: %w", name, fs.ErrExist)
	}
	if s.store != nil {
		if data = s.store(name, data); data == nil {
			return nil
		}
	}
	s.objects[name] = data
	return nil
}

func (s *memStore) Open(_ context.Context, name string, offset int64) (io.ReadCloser, error) {
	if err := s.step("open", name); err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	data, ok := s.objects[name]
	if !ok {
		return nil, fmt.Errorf("%s: %w", name, fs.ErrNotExist)
	}
	var r io.Reader = bytes.NewReader(data[offset:])
	if s.body != nil {
		r = s.body(name, r)
	}
	return io.NopCloser(r), nil
}

func (s *memStore) List(_ context.Context, folder string) iter.Seq2[Object, error] {
	return func(yield func(Object, error) bool) {
		if err := s.step("list", folder); err != nil {
			yield(Object{}, err)
			return
		}
		s.mu.Lock()
		names := slices.Sorted(maps.Keys(s.objects))
		s.mu.Unlock()
		prefix := folder
		if prefix != "" {
			prefix += "/"
		}
		seen := map[string]bool{}
		for _, name := range names {
			rest, ok := strings.CutPrefix(name, prefix)
			if !ok {
				continue
			}
			first, _, deeper := strings.Cut(rest, "/")
			if seen[first] {
				continue
			}
			seen[first] = true
			if !yield(Object{Name: first, Folder: deeper, Size: int64(len(s.objects[name]))}, nil) {
				return
			}
		}
	}
}

func TestPushAndPull(t *testing.T) {
	a, b, s := newArchive(t), newArchive(t), newMemStore()
	fill(t, a, "Groomer 2", 3000)
	moved, err := a.Push(ctx, s, "Groomer 2")
	require.NoError(t, err)
	assert.Len(t, moved.Moved, 3)
	moved, err = a.Push(ctx, s, "groomer-2")
	require.NoError(t, err)
	assert.Equal(t, &Moved{Folder: "groomer-2", Had: 3}, moved)

	// The store verifies, and reads as an archive does.
	r, err := StoreReader(ctx, s)
	require.NoError(t, err)
	v, err := r.Verify(ctx, VerifyOptions{BothHashes: true})
	require.NoError(t, err)
	assert.Empty(t, v.Findings)
	assert.Equal(t, 3, v.Entries)
	e, err := r.Vehicle(ctx, "Groomer 2")
	require.NoError(t, err)
	var out bytes.Buffer
	require.NoError(t, r.Restore(ctx, &e.Entries[0], &out))
	assert.Equal(t, noise(1, 3000), out.Bytes())

	folders, err := StoredVehicles(ctx, s)
	require.NoError(t, err)
	assert.Equal(t, []string{"groomer-2"}, folders)
	moved, err = b.Pull(ctx, s, "groomer-2")
	require.NoError(t, err)
	assert.Len(t, moved.Moved, 3)
	assert.Equal(t, loadFS(t, filepath.Join(a.Dir(), "groomer-2")), loadFS(t, filepath.Join(b.Dir(), "groomer-2")), "the same files, byte for byte")
	assert.Empty(t, verifyAll(t, b).Findings)

	// b goes on, a learns of it.
	_, err = b.Add(ctx, Addition{Vehicle: "Groomer 2", Kind: Readback, Image: BytesSource("r.bin", noise(8, 100))})
	require.NoError(t, err)
	_, err = b.Push(ctx, s, "Groomer 2")
	require.NoError(t, err)
	moved, err = a.Push(ctx, s, "Groomer 2")
	require.NoError(t, err)
	assert.Equal(t, 1, moved.Ahead)
	moved, err = a.Pull(ctx, s, "groomer-2")
	require.NoError(t, err)
	assert.Equal(t, []string{"0004-readback-2026-11-25"}, moved.Moved)
	assert.Empty(t, verifyAll(t, a).Findings)
	_, err = a.Pull(ctx, s, "nobody")
	assert.ErrorIs(t, err, ErrNotFound)
	_, err = a.Pull(ctx, s, "../x")
	assert.Error(t, err)
}

// TestTwoShopsDiverge: both add a second entry; the one that comes second
// overwrites nothing and is told.
func TestTwoShopsDiverge(t *testing.T) {
	a, b, s := newArchive(t), newArchive(t), newMemStore()
	_, err := a.Add(ctx, backup("g", noise(1, 100)))
	require.NoError(t, err)
	_, err = a.Push(ctx, s, "g")
	require.NoError(t, err)
	_, err = b.Pull(ctx, s, "g")
	require.NoError(t, err)
	for i, x := range []*Archive{a, b} {
		_, err = x.Add(ctx, Addition{Vehicle: "g", Kind: Readback, Image: BytesSource("r.bin", noise(uint64(10+i), 100))})
		require.NoError(t, err)
	}
	_, err = a.Push(ctx, s, "g")
	require.NoError(t, err)
	before := maps.Clone(s.objects)
	_, err = b.Push(ctx, s, "g")
	require.ErrorIs(t, err, ErrDiverged)
	_, err = b.Pull(ctx, s, "g")
	require.ErrorIs(t, err, ErrRefused)
	assert.Equal(t, before, s.objects)

	// At the same moment: the other's entry arrives while ours is on its way.
	c := newArchive(t)
	files := newMemStore()
	files.objects = maps.Clone(before)
	_, err = c.Pull(ctx, files, "g")
	require.NoError(t, err)
	for i, x := range []*Archive{a, c} {
		_, err = x.Add(ctx, Addition{Vehicle: "g", Kind: Readback, Image: BytesSource("r.bin", noise(uint64(20+i), 100))})
		require.NoError(t, err)
	}
	raced := false
	s.before = func(op, name string) error {
		if op == "create" && name == "g/chain/0003" && !raced {
			raced = true
			_, err := c.Push(ctx, s, "g")
			return err
		}
		return nil
	}
	_, err = a.Push(ctx, s, "g")
	require.ErrorIs(t, err, ErrDiverged)
	r, err := StoreReader(ctx, s)
	require.NoError(t, err)
	v, err := r.Verify(ctx, VerifyOptions{})
	require.NoError(t, err)
	assert.Equal(t, evidence.Pass, v.Verdict)
	require.Len(t, v.Findings, 1, "what came too late is noted")
	assert.Contains(t, v.Findings[0].Message, "came first")
	assert.Equal(t, 3, v.Entries)
}

// TestStoreFaults lets each operation of a push and a pull fail: in passing,
// which is overcome, and for good, after which the next run goes on.
func TestStoreFaults(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 500)
	count := 0
	for at := 1; ; at++ {
		s := newMemStore()
		var calls atomic.Int64 // verify reads with several at once
		fault := errors.New("500 Internal Server Error")
		s.before = func(string, string) error {
			if n := int(calls.Add(1)); n >= at && n < at+tries {
				return fault
			}
			return nil
		}
		_, err := a.pushQuickly(s)
		if int(calls.Load()) < at {
			require.NoError(t, err)
			break
		}
		require.ErrorIs(t, err, fault)
		count++
		r, err := StoreReader(ctx, s)
		if err == nil {
			v, err := r.Verify(ctx, VerifyOptions{})
			require.NoError(t, err)
			for _, f := range v.Findings {
				require.Contains(t, []string{"unfinished-push", "foreign-folder"}, f.Code, "half an entry shows")
			}
		}
		_, err = a.pushQuickly(s)
		require.NoError(t, err)
		var every atomic.Int64
		s.before = func(string, string) error { // every third call fails once
			if every.Add(1)%3 == 0 {
				return fault
			}
			return nil
		}
		b := newArchive(t)
		_, err = b.pullQuickly(s)
		require.NoError(t, err)
		require.Equal(t, loadFS(t, filepath.Join(a.Dir(), "g")), loadFS(t, filepath.Join(b.Dir(), "g")))
	}
	t.Logf("%d faults", count)
	assert.Greater(t, count, 50)
}

// pushQuickly and pullQuickly do not wait before another try.
func (a *Archive) pushQuickly(s Store) (*Moved, error) { return a.push(newStoreFS(ctx, s, 0), "g") }
func (a *Archive) pullQuickly(s Store) (*Moved, error) { return a.pull(newStoreFS(ctx, s, 0), "g") }

// TestConnectionCuts: every body breaks off after a few bytes; reading goes on
// where it was.
func TestConnectionCuts(t *testing.T) {
	a, s := newArchive(t), newMemStore()
	fill(t, a, "g", 5000)
	s.body = func(_ string, r io.Reader) io.Reader {
		data, _ := io.ReadAll(r)
		if len(data) <= 700 {
			return bytes.NewReader(data)
		}
		return io.MultiReader(bytes.NewReader(data[:700]), errReader{io.ErrUnexpectedEOF})
	}
	_, err := a.pushQuickly(s)
	require.NoError(t, err)
	b := newArchive(t)
	_, err = b.pullQuickly(s)
	require.NoError(t, err)
	assert.Empty(t, verifyAll(t, b).Findings)
	s.body = func(_ string, r io.Reader) io.Reader { return errReader{io.ErrUnexpectedEOF} }
	_, err = newArchive(t).pullQuickly(s)
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
}

// TestLyingStores: stores that report success and hold something else.
func TestLyingStores(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 500)
	for name, lie := range map[string]func(name string, data []byte) []byte{
		"a bit":        func(_ string, d []byte) []byte { d[len(d)/2] ^= 1; return d },
		"shorter":      func(_ string, d []byte) []byte { return d[:len(d)-1] },
		"longer":       func(_ string, d []byte) []byte { return append(d, 0) },
		"nothing":      func(string, []byte) []byte { return nil },
		"an empty one": func(string, []byte) []byte { return []byte{} },
		"a framing": func(_ string, d []byte) []byte {
			return fmt.Appendf(nil, "%x;chunk-signature=0\r\n%s\r\n0;chunk-signature=0\r\n\r\n", len(d), d)
		},
		"only of images": func(name string, d []byte) []byte {
			if strings.HasSuffix(name, ".bin") {
				d[0] ^= 0x80
			}
			return d
		},
		"only of the chain": func(name string, d []byte) []byte {
			if strings.Contains(name, "/chain/") {
				d[0] ^= 1
			}
			return d
		},
	} {
		s := newMemStore()
		s.store = lie
		_, err := a.pushQuickly(s)
		assert.ErrorIs(t, err, ErrWrongBytes, name)
	}
}

// TestDamageInTheStore flips a byte of every object in turn: verify against the
// store finds it, and a pull does not let it in.
func TestDamageInTheStore(t *testing.T) {
	a, s := newArchive(t), newMemStore()
	fill(t, a, "g", 100)
	_, err := a.Push(ctx, s, "g")
	require.NoError(t, err)
	for name, data := range maps.Clone(s.objects) {
		damaged := bytes.Clone(data)
		damaged[len(damaged)/3] ^= 2
		s.objects[name] = damaged
		noticed := func() bool {
			r, err := NewReader(newStoreFS(ctx, s, 0))
			if err != nil {
				return true
			}
			v, err := r.Verify(ctx, VerifyOptions{})
			return err != nil || v.Verdict != evidence.Pass
		}
		assert.True(t, noticed(), name)
		if name != markerFile {
			b := newArchive(t)
			_, err = b.pullQuickly(s)
			assert.Error(t, err, name)
			got := verifyAll(t, b)
			assert.Empty(t, got.Findings, name)
		}
		delete(s.objects, name)
		assert.True(t, noticed(), "removal of %s", name)
		s.objects[name] = data
	}
}

// TestHostileStore: names that lead elsewhere, and a history that does not fit.
func TestHostileStore(t *testing.T) {
	a, s := newArchive(t), newMemStore()
	fill(t, a, "g", 100)
	_, err := a.Push(ctx, s, "g")
	require.NoError(t, err)
	var image string
	for name := range s.objects {
		if strings.HasSuffix(name, "backup.bin") {
			image = name
		}
	}
	prefix := strings.TrimSuffix(image, "backup.bin")
	for _, evil := range []string{"aux.txt", "a:b", "..", "x\\y", "con", "trailing.", "%2e%2e"} {
		s.objects[prefix+evil] = []byte("x")
		b := newArchive(t)
		before := loadFS(t, filepath.Dir(b.Dir()))
		_, err := b.pullQuickly(s)
		assert.Error(t, err, evil)
		after := loadFS(t, filepath.Dir(b.Dir()))
		delete(after, "archive/"+lockFile)
		assert.Equal(t, before, after, evil)
		delete(s.objects, prefix+evil)
	}
}

// TestForgedHistory: a store that exchanges the first entry, with a chain that
// fits its objects. The second entry still names the true one.
func TestForgedHistory(t *testing.T) {
	a, s := newArchive(t), newMemStore()
	fill(t, a, "g", 100)
	_, err := a.pushQuickly(s)
	require.NoError(t, err)
	forger, forged := newArchive(t), newMemStore()
	_, err = forger.Add(ctx, backup("g", noise(66, 100)))
	require.NoError(t, err)
	_, err = forger.pushQuickly(forged)
	require.NoError(t, err)
	maps.DeleteFunc(s.objects, func(name string, _ []byte) bool { return strings.Contains(name, "0001") })
	maps.Copy(s.objects, forged.objects)
	b := newArchive(t)
	_, err = b.pullQuickly(s)
	require.ErrorIs(t, err, ErrRefused)
	assert.ErrorContains(t, err, "does not follow the entry before it")
	assert.Len(t, entriesOf(t, b), 1, "the forged entry by itself is sound")
}
