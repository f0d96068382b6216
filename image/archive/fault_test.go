package archive

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
)

// entriesOf returns the places of all entries that list shows.
func entriesOf(t testing.TB, a *Archive) []string {
	t.Helper()
	var out []string
	for v, err := range a.Vehicles(ctx) {
		require.NoError(t, err)
		for _, e := range v.Entries {
			require.Empty(t, e.Problem)
			out = append(out, e.Ref())
		}
	}
	return out
}

// template is an archive that tests copy: making one anew costs many fsyncs.
func template(t testing.TB) string {
	a := newArchive(t)
	_, err := a.Add(ctx, backup("g", noise(1, 300)))
	require.NoError(t, err)
	return a.Dir()
}

// copyOf returns a copy of the archive in dir.
func copyOf(t testing.TB, dir string) *Archive {
	t.Helper()
	to := filepath.Join(fastDir(t), "archive")
	require.NoError(t, os.CopyFS(to, os.DirFS(dir)))
	a, err := Open(to, testOptions())
	require.NoError(t, err)
	t.Cleanup(func() { a.Close() })
	a.disk = quickDisk{}
	return a
}

// afterFault checks what holds after any fault: everything that was there is
// there and verifies, the new entry is there whole or not at all, and the next
// writer finds nothing in its way and leaves nothing behind.
func afterFault(t testing.TB, a *Archive, before []string, add Addition, added error) {
	t.Helper()
	got := verifyAll(t, a)
	require.Equal(t, evidence.Pass, got.Verdict, "%v", got.Findings)
	after := entriesOf(t, a)
	require.Subset(t, after, before)
	require.LessOrEqual(t, len(after), len(before)+1)
	if added == nil {
		require.Len(t, after, len(before)+1)
	}
	_, err := a.Add(ctx, add)
	var dup *DuplicateError
	if len(after) > len(before) {
		require.ErrorAs(t, err, &dup)
	} else {
		require.NoError(t, err)
	}
	got = verifyAll(t, a)
	require.Equal(t, evidence.Pass, got.Verdict, "%v", got.Findings)
	require.Empty(t, got.Findings, "something was left behind")
	require.Len(t, entriesOf(t, a), len(before)+1)
}

// additions are the two ways an entry comes in: with a new vehicle, and after
// others.
func additions() map[string]Addition {
	edit := Addition{Vehicle: "g", Kind: Modified, Image: BytesSource("edited.bin", noise(2, 300)), Parent: sumOf(noise(1, 300)), Verdict: passed(evidence.Fail)}
	return map[string]Addition{"new vehicle": backup("h", noise(3, 300)), "next entry": edit}
}

// start is an archive that a writer finds.
type start struct {
	name, dir string
	additions map[string]Addition
}

// starts are an archive in order, and one in which a writer was stopped when its
// entry was on the chain, but not yet in its place, so that the next writer of
// the vehicle has to tidy up first.
func starts(t testing.TB) []start {
	t.Helper()
	clean := template(t)
	a := copyOf(t, clean)
	d := &faultyDisk{op: "rename", at: 2, err: errCrash, crash: true} // 1: chain, 2: entry
	a.disk = d
	_, err := a.Add(ctx, Addition{Vehicle: "g", Kind: Readback, Image: BytesSource("never.bin", noise(50, 300))})
	require.Error(t, err)
	require.True(t, d.failed)
	return []start{
		{"in order", clean, additions()},
		{"interrupted", a.Dir(), map[string]Addition{"next entry": additions()["next entry"]}},
	}
}

// TestEveryOperationFails lets each single operation of Add fail in turn.
func TestEveryOperationFails(t *testing.T) {
	quota := errors.New("disk quota exceeded") // EDQUOT, which Windows names differently
	faults := map[string][]error{
		"mkdir": {syscall.EIO, syscall.ENOSPC}, "create": {syscall.EIO, syscall.ENOSPC, quota}, "write": {syscall.ENOSPC, syscall.EIO, quota},
		"sync": {syscall.EIO}, "close": {syscall.EIO}, "open": {syscall.EIO}, "rename": {syscall.EXDEV, syscall.EIO},
		"remove": {syscall.EIO}, "syncdir": {syscall.EIO},
	}
	counts := map[string]int{}
	for _, from := range starts(t) {
		for what, add := range from.additions {
			for op, errs := range faults {
				if !full() {
					errs = errs[:1]
				}
				for _, fault := range errs {
					for at := 1; ; at++ {
						a := copyOf(t, from.dir)
						before := entriesOf(t, a)
						d := &faultyDisk{op: op, at: at, err: fault}
						a.disk = d
						_, err := a.Add(ctx, add)
						if !d.failed {
							require.NoError(t, err, what)
							break
						}
						counts[op]++
						require.ErrorIs(t, err, fault, "%s, %s %d: the error is lost", what, op, at)
						a.disk = quickDisk{}
						afterFault(t, a, before, add, err)
					}
				}
			}
		}
	}
	t.Logf("every operation failed once, archive whole after each: %v", counts)
	for op := range faults {
		assert.NotZero(t, counts[op], "no %s was tried", op)
	}
}

// failingFS fails to open a file or folder, once or from then on.
type failingFS struct {
	fs.FS
	at    int // its n-th call fails, from 1
	again bool
	err   error

	calls int
	name  string // what failed
}

func (f *failingFS) Open(name string) (fs.File, error) {
	if f.calls++; f.calls == f.at {
		f.name = name
	}
	if f.calls == f.at || f.again && f.name == name {
		return nil, &fs.PathError{Op: "open", Path: name, Err: f.err}
	}
	return f.FS.Open(name)
}

// TestEveryReadFails lets each file or folder that a writer looks at fail to
// open in turn, as with too many open files: what cannot be read must not be
// taken for missing, or be removed.
func TestEveryReadFails(t *testing.T) {
	busy := errors.New("too many open files")
	count, refused := 0, 0
	for _, from := range starts(t) {
		for what, add := range from.additions {
			for at := 2; ; at++ {
				a := copyOf(t, from.dir)
				before := entriesOf(t, a)
				whole := a.Reader
				f := &failingFS{FS: whole.fsys, at: at / 2, again: at%2 == 1, err: busy}
				a.Reader = &Reader{fsys: f}
				_, err := a.Add(ctx, add)
				a.Reader = whole
				afterFault(t, a, before, add, err)
				if f.calls < f.at {
					require.NoError(t, err, what)
					break
				}
				count++
				if err != nil {
					require.ErrorContains(t, err, busy.Error(), what)
					refused++
				}
			}
		}
	}
	require.NotZero(t, refused)
	t.Logf("%d reads failed, %d additions refused, archive whole after each", count, refused)
}

// TestReaderBetweenListAndChain: an entry comes in after a reader has listed the
// folder and before it reads the chain. That is no damage.
func TestReaderBetweenListAndChain(t *testing.T) {
	dir := template(t)
	meanwhile := func() *Reader {
		a, once := copyOf(t, dir), sync.Once{}
		return &Reader{fsys: beforeOpen{a.fsys, func(name string) {
			if path.Base(name) == chainFile {
				once.Do(func() {
					_, err := a.Add(ctx, additions()["next entry"])
					require.NoError(t, err)
				})
			}
		}}}
	}
	v, err := meanwhile().Vehicle(ctx, "g")
	require.NoError(t, err)
	assert.Len(t, v.Entries, 2)
	got, err := meanwhile().Verify(ctx, VerifyOptions{})
	require.NoError(t, err)
	assert.Empty(t, got.Findings)
	assert.Equal(t, 2, got.Entries)
}

// beforeOpen calls do before it opens a file.
type beforeOpen struct {
	fs.FS
	do func(name string)
}

func (b beforeOpen) Open(name string) (fs.File, error) {
	b.do(name)
	return b.FS.Open(name)
}

// TestPowerCutAtEveryOperation stops the program at each operation in turn and
// loses everything that was not flushed by then, as a power cut may: contents
// of files, names in folders; and files that were renamed over, new or old.
func TestPowerCutAtEveryOperation(t *testing.T) {
	count := 0
	for _, from := range starts(t) {
		for what, add := range from.additions {
			for at := 2; ; at++ {
				a := copyOf(t, from.dir)
				before := entriesOf(t, a)
				d := &faultyDisk{at: at / 2, err: errCrash, crash: true}
				a.disk = d
				_, err := a.Add(ctx, add)
				require.NoError(t, d.powerCut(at%2 == 1))
				a.disk = quickDisk{}
				if !d.failed {
					require.NoError(t, err, what)
					require.Len(t, entriesOf(t, a), len(before)+1, "an entry that was promised is lost")
					afterFault(t, a, before, add, nil)
					if at%2 == 0 {
						continue
					}
					break
				}
				require.Error(t, err)
				count++
				afterFault(t, a, before, add, err)
			}
		}
	}
	t.Logf("%d power cuts, archive whole after each", count)
}

// TestReadBackCatchesALyingDisk: a disk that stores other bytes than it was
// given, once, and reports success. Each write is tried.
func TestReadBackCatchesALyingDisk(t *testing.T) {
	dir := template(t)
	for what, add := range additions() {
		for at := 1; ; at++ {
			a := copyOf(t, dir)
			before := entriesOf(t, a)
			d := &lyingDisk{at: at}
			a.disk = d
			_, err := a.Add(ctx, add)
			a.disk = quickDisk{}
			if d.writes < at {
				require.NoError(t, err, what)
				require.Greater(t, at, 8)
				break
			}
			require.ErrorContains(t, err, "does not read back as it was written", "%s, write %d", what, at)
			assert.Equal(t, before, entriesOf(t, a))
			assert.Empty(t, verifyAll(t, a).Findings)
		}
	}
}

// lyingDisk changes a bit in one write.
type lyingDisk struct {
	quickDisk
	at, writes int
}

func (d *lyingDisk) Create(path string) (diskFile, error) {
	f, err := d.quickDisk.Create(path)
	return lyingFile{f, d}, err
}

type lyingFile struct {
	diskFile
	d *lyingDisk
}

func (f lyingFile) Write(p []byte) (int, error) {
	if f.d.writes++; f.d.writes == f.d.at {
		p = bytes.Clone(p)
		p[0] ^= 1
	}
	return f.diskFile.Write(p)
}

// TestFolderRemovedUnderTheWriter removes the archive, the vehicle's folder or
// the unfinished entry before each operation of a writer in turn. It ends with
// an error, or had put the entry into its place by then; nothing that was removed
// is made again, and nothing else is touched.
func TestFolderRemovedUnderTheWriter(t *testing.T) {
	clean := newArchive(t)
	fill(t, clean, "g", 100)
	fill(t, clean, "other", 100)
	other := loadFS(t, filepath.Join(clean.Dir(), "other"))
	edit := Addition{Vehicle: "g", Kind: Modified, Image: BytesSource("again.bin", noise(4, 100)), Parent: sumOf(noise(1, 100))}
	counts, step := map[string]int{}, 1
	if !full() {
		step = 3
	}
	for _, c := range []struct {
		what   string
		add    Addition
		remove string
	}{
		{"the archive, next entry", edit, "."},
		{"the archive, new vehicle", backup("h", noise(3, 100)), "."},
		{"the vehicle", edit, "g"},
		{"the unfinished entry", edit, "g/" + incomingPrefix + "0004-modified-2026-11-25"},
		{"the unfinished vehicle", backup("h", noise(3, 100)), incomingPrefix + "h"},
	} {
		for at := 1; ; at += step {
			a := copyOf(t, clean.Dir())
			target := filepath.Join(a.Dir(), filepath.FromSlash(c.remove))
			before := entriesOf(t, a)
			d, done, there := &faultyDisk{at: at}, 0, false
			d.do = func() {
				_, err := os.Lstat(target)
				there = err == nil // the unfinished entry only from its first operation to its last
				require.NoError(t, os.RemoveAll(target))
				done = len(d.history) - 1
			}
			a.disk = d
			_, err := a.Add(ctx, c.add)
			if !d.failed {
				require.NoError(t, err)
				require.Greater(t, at, 20)
				break
			}
			if there {
				counts[c.what]++
			}
			if err == nil && there {
				inPlace := slices.IndexFunc(d.history, func(h string) bool {
					return strings.HasPrefix(h, "rename 0004-") || h == "rename h"
				})
				require.Less(t, inPlace, done, "%s before %s: no error", c.what, d.history[done])
			}
			if !strings.Contains(c.remove, incomingPrefix) {
				_, err = os.Lstat(target)
				require.ErrorIs(t, err, os.ErrNotExist, "the writer made something of what was removed")
			}
			if c.remove == "." {
				continue
			}
			require.Equal(t, other, loadFS(t, filepath.Join(a.Dir(), "other")))
			got := verifyAll(t, a)
			require.Equal(t, evidence.Pass, got.Verdict, "%s before %s: %v", c.what, d.history[done], got.Findings)
			if c.remove != "g" {
				require.Subset(t, entriesOf(t, a), before)
			}
		}
	}
	t.Logf("removed under the writer: %v", counts)
}

func TestSourceFails(t *testing.T) {
	a := newArchive(t)
	broken := errors.New("bad sector")
	_, err := a.Add(ctx, Addition{Vehicle: "g", Kind: Backup, Image: &Source{Name: "x", Open: func() (io.ReadCloser, error) { return nil, broken }}})
	require.ErrorIs(t, err, broken)
	half := io.MultiReader(bytes.NewReader(noise(1, 100)), errReader{broken})
	_, err = a.Add(ctx, Addition{Vehicle: "g", Kind: Backup, Image: &Source{Name: "x", Open: func() (io.ReadCloser, error) { return io.NopCloser(half), nil }}})
	require.ErrorIs(t, err, broken)
	assert.Empty(t, verifyAll(t, a).Findings)
	names, err := os.ReadDir(a.Dir())
	require.NoError(t, err)
	assert.Len(t, names, 2)
}

type errReader struct{ err error }

func (r errReader) Read([]byte) (int, error) { return 0, r.err }

// TestWritersTakeTurns lets several writers and verifiers work at once, each
// through its own Archive, as separate programs do.
func TestWritersTakeTurns(t *testing.T) {
	first := newArchive(t)
	const writers, each = 3, 8
	var wg, verifiers sync.WaitGroup
	var done atomic.Bool
	var checks atomic.Int64
	for range 2 {
		verifiers.Go(func() {
			a, err := Open(first.Dir(), testOptions())
			if !assert.NoError(t, err) {
				return
			}
			defer a.Close()
			for !done.Load() {
				v, err := a.Verify(ctx, VerifyOptions{})
				if assert.NoError(t, err) && assert.Equal(t, evidence.Pass, v.Verdict, "%v", v.Findings) {
					checks.Add(1)
				}
			}
		})
	}
	for w := range writers {
		wg.Go(func() {
			a, err := Open(first.Dir(), testOptions())
			if !assert.NoError(t, err) {
				return
			}
			defer a.Close()
			for i := range each {
				_, err := a.Add(ctx, Addition{Vehicle: []string{"g", "h"}[i%2], Kind: Backup, Image: BytesSource("x.bin", noise(uint64(w*100+i), 2000))})
				assert.NoError(t, err)
			}
		})
	}
	wg.Wait()
	done.Store(true)
	verifiers.Wait()
	assert.Len(t, entriesOf(t, first), writers*each)
	got := verifyAll(t, first)
	assert.Equal(t, evidence.Pass, got.Verdict)
	assert.Empty(t, got.Findings)
	t.Logf("%d entries by %d writers, %d verifications meanwhile", writers*each, writers, checks.Load())
}

func TestLockedArchiveIsSaidSo(t *testing.T) {
	a := newArchive(t)
	unlock, err := a.lock(ctx)
	require.NoError(t, err)
	b, err := Open(a.Dir(), Options{LockWait: -1})
	require.NoError(t, err)
	defer b.Close()
	_, err = b.Add(ctx, backup("g", noise(1, 10)))
	assert.ErrorContains(t, err, "another program is writing to it")
	unlock()
	_, err = b.Add(ctx, backup("g", noise(1, 10)))
	assert.NoError(t, err)
}

// TestInterruptedCommit: the entry is on the chain and whole in its temporary
// folder when the writer stops. It is not listed, verify says what it is, and
// the next writer takes it off the chain and names it.
func TestInterruptedCommit(t *testing.T) {
	a := copyOf(t, template(t))
	d := &faultyDisk{op: "rename", at: 2, err: errCrash, crash: true} // 1: chain, 2: entry
	a.disk = d
	add := additions()["next entry"]
	_, err := a.Add(ctx, add)
	require.Error(t, err)
	require.True(t, d.failed)
	a.disk = quickDisk{}
	assert.Len(t, entriesOf(t, a), 1)
	got := verifyAll(t, a)
	assert.Equal(t, evidence.Pass, got.Verdict, "%v", got.Findings)
	require.Len(t, got.Findings, 1)
	assert.Equal(t, "unfinished-entry", got.Findings[0].Code)
	added, err := a.Add(ctx, add)
	require.NoError(t, err)
	assert.Equal(t, []string{"g/.incoming-0002-modified-2026-11-25"}, added.Removed)
	assert.Empty(t, verifyAll(t, a).Findings)

	// A finished entry that is gone is another matter, and stops writers.
	require.NoError(t, os.RemoveAll(filepath.Join(a.Dir(), "g", added.Entry.Name)))
	got = verifyAll(t, a)
	assert.Equal(t, evidence.Fail, got.Verdict)
	assert.True(t, slices.ContainsFunc(got.Findings, func(f evidence.Finding) bool { return f.Code == "entry-missing" }))
	_, err = a.Add(ctx, add)
	assert.ErrorContains(t, err, "nothing is added to a damaged chain")
}

// TestOrderOfFlushes pins that an entry is flushed before it gets its name, and
// the name before Add returns.
func TestOrderOfFlushes(t *testing.T) {
	a := copyOf(t, template(t))
	d := &faultyDisk{}
	a.disk = d
	_, err := a.Add(ctx, additions()["next entry"])
	require.NoError(t, err)
	rename := slices.Index(d.history, "rename 0002-modified-2026-11-25")
	require.Positive(t, rename)
	assert.Equal(t, []string{"syncdir g"}, d.history[rename+1:])
	creates, syncs := 0, 0
	for _, h := range d.history[:rename] {
		if strings.HasPrefix(h, "create ") {
			creates++
		}
		if strings.HasPrefix(h, "sync ") {
			syncs++
		}
	}
	assert.Equal(t, creates, syncs)
	assert.Empty(t, d.unsynced)
	assert.Empty(t, d.names)
}
