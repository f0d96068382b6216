package archive

import (
	"bytes"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
)

// smallDisk mounts a file system of memory that remount changes, such as to
// "size=400k".
func smallDisk(t testing.TB, options string) (dir string, remount func(flags uintptr, options string)) {
	t.Helper()
	dir = t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, options); err != nil {
		t.Skipf("a small file system cannot be mounted here: %v", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) })
	return dir, func(flags uintptr, options string) {
		t.Helper()
		require.NoError(t, syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT|flags, options))
	}
}

// leftBehind returns what writers have not finished.
func leftBehind(t testing.TB, a *Archive) []string {
	t.Helper()
	var out []string
	for f := range loadFS(t, a.Dir()) {
		if strings.Contains(f, incomingPrefix) {
			out = append(out, f)
		}
	}
	return out
}

// TestFullDisk adds images until a small file system is full.
func TestFullDisk(t *testing.T) {
	dir, _ := smallDisk(t, "size=400k")
	a, err := Init(filepath.Join(dir, "archive"), testOptions())
	require.NoError(t, err)
	defer a.Close()
	kept := 0
	for i := range 100 {
		if _, err = a.Add(ctx, Addition{Vehicle: "g", Kind: Backup, Image: BytesSource("x.bin", noise(uint64(i), 60_000))}); err != nil {
			break
		}
		kept++
	}
	require.ErrorIs(t, err, syscall.ENOSPC)
	require.Positive(t, kept)
	assert.Len(t, entriesOf(t, a), kept)
	assert.Empty(t, verifyAll(t, a).Findings)
	assert.Empty(t, leftBehind(t, a), "left behind on a full disk")
	t.Logf("%d entries kept, the next refused", kept)
}

// TestDiskFillsUpAtEveryBlock: a disk that has room for one block, for two, and
// so on until an entry fits; and the same with the number of files it can hold,
// as of a quota of files.
func TestDiskFillsUpAtEveryBlock(t *testing.T) {
	dir, remount := smallDisk(t, "size=4m,nr_inodes=4k")
	require.NoError(t, os.CopyFS(filepath.Join(dir, "archive"), os.DirFS(template(t))))
	a, err := Open(filepath.Join(dir, "archive"), testOptions())
	require.NoError(t, err)
	defer a.Close()
	limits := map[string]func(s *syscall.Statfs_t, room int) string{
		"blocks": func(s *syscall.Statfs_t, room int) string {
			return fmt.Sprintf("size=%d", (int(s.Blocks-s.Bfree)+room)*int(s.Bsize))
		},
		"files": func(s *syscall.Statfs_t, room int) string {
			return fmt.Sprintf("nr_inodes=%d", int(s.Files-s.Ffree)+room)
		},
	}
	for what, limit := range limits {
		for name, add := range additions() {
			add.Again = true // kept twice: with room for its blocks, and for its files
			before := loadFS(t, dir)
			room := 1 // 0 would mean no limit where nothing is used yet
			for ; ; room++ {
				var s syscall.Statfs_t
				require.NoError(t, syscall.Statfs(dir, &s))
				remount(0, limit(&s, room))
				_, err := a.Add(ctx, add)
				remount(0, "size=4m,nr_inodes=4k")
				require.Empty(t, verifyAll(t, a).Findings)
				if err == nil {
					break
				}
				require.ErrorIs(t, err, syscall.ENOSPC)
				require.Equal(t, before, loadFS(t, dir), "with room for %d %s", room, what)
			}
			require.Greater(t, room, 5)
			t.Logf("%s: refused with room for up to %d %s, kept with %d", name, room-1, what, room)
		}
	}
}

// TestReadOnlyFileSystem: an archive on a disk that cannot be written, such as a
// DVD, can be read and verified like any other.
func TestReadOnlyFileSystem(t *testing.T) {
	dir, remount := smallDisk(t, "size=4m")
	require.NoError(t, os.CopyFS(filepath.Join(dir, "archive"), os.DirFS(template(t))))
	require.NoError(t, os.RemoveAll(filepath.Join(dir, "archive", lockFile)))
	remount(syscall.MS_RDONLY, "")
	a, err := Open(filepath.Join(dir, "archive"), testOptions())
	require.NoError(t, err)
	defer a.Close()
	for _, add := range additions() {
		_, err = a.Add(ctx, add)
		require.ErrorIs(t, err, syscall.EROFS)
	}
	assert.Empty(t, verifyAll(t, a).Findings)
	v, err := a.Vehicle(ctx, "g")
	require.NoError(t, err)
	var out bytes.Buffer
	require.NoError(t, a.Restore(ctx, &v.Entries[0], &out))
	assert.Equal(t, noise(1, 300), out.Bytes())
	_, err = CheckExport(ctx, bytes.NewReader(export(t, a, "g")), int64(len(export(t, a, "g"))))
	assert.NoError(t, err)
}

// TestReadOnlyFolder: reading needs no right to write, and writing says so.
func TestReadOnlyFolder(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 50)
	if os.Getuid() == 0 {
		// The superuser may write anywhere; be nobody on this thread, which
		// ends with this goroutine.
		runtime.LockOSThread()
		require.NoError(t, os.Chmod(filepath.Dir(a.Dir()), 0o755))
		require.NoError(t, syscall.Setfsuid(65534))
		defer func() {
			if err := syscall.Setfsuid(0); err == nil {
				runtime.UnlockOSThread()
			}
		}()
	} else {
		require.NoError(t, os.Chmod(a.Dir(), 0o555))
		t.Cleanup(func() { _ = os.Chmod(a.Dir(), 0o755) })
	}
	_, err := a.Add(ctx, backup("h", noise(9, 50)))
	require.ErrorIs(t, err, os.ErrPermission)
	v, err := a.Verify(ctx, VerifyOptions{Workers: 1})
	require.NoError(t, err)
	assert.Equal(t, evidence.Pass, v.Verdict, "%v", v.Findings)
	e, err := a.Vehicle(ctx, "g")
	require.NoError(t, err)
	var out bytes.Buffer
	assert.NoError(t, a.Restore(ctx, &e.Entries[0], &out))
	assert.Len(t, e.Entries, 3)
}

// TestLinksAreNotFollowed puts a link out of the archive in the place of each
// file and folder, with the right bytes at its other end: it is named, and
// neither read nor written through.
func TestLinksAreNotFollowed(t *testing.T) {
	clean := newArchive(t)
	fill(t, clean, "g", 50)
	places := map[string]bool{"g": true}
	for f := range loadFS(t, clean.Dir()) {
		for ; strings.Contains(f, "/"); f = f[:strings.LastIndex(f, "/")] {
			places[f] = true
		}
	}
	edit := Addition{Vehicle: "g", Kind: Modified, Image: BytesSource("again.bin", noise(3, 50)), Parent: sumOf(noise(1, 50))}
	for _, place := range slices.Sorted(maps.Keys(places)) {
		a := copyOf(t, clean.Dir())
		outside := filepath.Join(fastDir(t), "outside")
		at := filepath.Join(a.Dir(), filepath.FromSlash(place))
		require.NoError(t, os.Rename(at, outside))
		require.NoError(t, os.Symlink(outside, at))
		there := outsideOf(t, outside)

		got := verifyAll(t, a)
		if place == "g" {
			assert.Equal(t, evidence.Unproven, got.Verdict, "a vehicle may be moved away, but not by a link")
		} else {
			assert.Equal(t, evidence.Fail, got.Verdict, place)
		}
		assert.Contains(t, fmt.Sprint(got.Findings), filepath.Base(place), place)
		if v, err := a.Vehicle(ctx, "g"); err == nil && v.Entries[0].Number == 1 && strings.HasPrefix("g/0001-backup-2026-11-25/data/image/backup.bin", place) {
			assert.Error(t, a.Restore(ctx, &v.Entries[0], &bytes.Buffer{}), "read through %s", place)
		}
		_, err := a.Add(ctx, edit)
		if place == "g" || place == "g/"+chainFile || strings.Count(place, "/") == 1 {
			assert.Error(t, err, "added through %s", place)
		}
		assert.Equal(t, there, outsideOf(t, outside), "written through %s", place)
	}
	t.Logf("%d files and folders replaced by links", len(places))
}

// TestLinksInsideAnEntry: a link to equal bytes in the same entry is no second
// copy of them.
func TestLinksInsideAnEntry(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 50)
	data := filepath.Join(a.Dir(), "g", "0001-backup-2026-11-25", "data")
	image := filepath.Join(data, "image", "backup.bin")
	require.NoError(t, os.Remove(image))
	require.NoError(t, os.Symlink(filepath.Join("..", "second-read", "second-read.bin"), image))
	got := verifyAll(t, a)
	assert.Equal(t, evidence.Fail, got.Verdict)
	assert.Contains(t, fmt.Sprint(got.Findings), "data/image/backup.bin: is a symbolic link")
}

// outsideOf returns what lies at a place that may be a file or a folder.
func outsideOf(t testing.TB, place string) map[string][]byte {
	t.Helper()
	info, err := os.Stat(place)
	require.NoError(t, err)
	if info.IsDir() {
		return loadFS(t, place)
	}
	data, err := os.ReadFile(place)
	require.NoError(t, err)
	return map[string][]byte{"": data}
}

// TestLinksInTheWayOfAWriter: the lock, the text that makes a folder an archive
// and a temporary folder as links; nothing is made or removed at their ends.
func TestLinksInTheWayOfAWriter(t *testing.T) {
	clean := template(t)
	outside := fastDir(t)
	require.NoError(t, os.WriteFile(filepath.Join(outside, "kept"), []byte("kept"), 0o600))
	link := func(a *Archive, to, name string) {
		t.Helper()
		place := filepath.Join(a.Dir(), name)
		require.NoError(t, os.RemoveAll(place))
		require.NoError(t, os.Symlink(to, place))
	}

	a := copyOf(t, clean)
	link(a, filepath.Join(outside, "made"), lockFile)
	_, err := a.Add(ctx, backup("h", noise(3, 50)))
	assert.ErrorContains(t, err, lockFile+" is no regular file")
	assert.Equal(t, evidence.Unproven, verifyAll(t, a).Verdict)

	a = copyOf(t, clean)
	require.NoError(t, os.RemoveAll(filepath.Join(a.Dir(), lockFile)))
	require.NoError(t, syscall.Mkfifo(filepath.Join(a.Dir(), lockFile), 0o600))
	withoutWaiting(t, "a writer", func() { _, err = a.Add(ctx, backup("h", noise(3, 50))) })
	assert.ErrorContains(t, err, lockFile+" is no regular file")

	a = copyOf(t, clean)
	text := filepath.Join(outside, "marker")
	require.NoError(t, os.WriteFile(text, []byte(marker), 0o600))
	link(a, text, markerFile)
	_, err = Open(a.Dir(), testOptions())
	assert.ErrorContains(t, err, markerFile)
	require.NoError(t, os.Remove(text))

	a = copyOf(t, clean)
	link(a, outside, incomingPrefix+"h")
	link(a, outside, filepath.Join("g", incomingPrefix+"0002-modified-2026-11-25"))
	link(a, filepath.Join(outside, "kept"), filepath.Join("g", incomingPrefix+"chain"))
	added, err := a.Add(ctx, additions()["next entry"])
	require.NoError(t, err)
	assert.Len(t, added.Removed, 3)
	assert.Empty(t, verifyAll(t, a).Findings)

	assert.Equal(t, map[string][]byte{"kept": []byte("kept")}, loadFS(t, outside))
}

// TestSpecialFiles: a named pipe in an entry is named, not opened (which would
// wait for ever).
func TestSpecialFiles(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 50)
	require.NoError(t, syscall.Mkfifo(filepath.Join(a.Dir(), "g", "0001-backup-2026-11-25", "data", "pipe"), 0o600))
	got := verifyAll(t, a)
	assert.Equal(t, evidence.Fail, got.Verdict)
	assert.Contains(t, fmt.Sprint(got.Findings), "named pipe")
}
