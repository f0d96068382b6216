package archive

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// TestLocalFS: the standard library's own test of file systems, on an open
// archive and on a folder in it that keeps what it opens.
func TestLocalFS(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 64)
	require.NoError(t, fstest.TestFS(a.root, markerFile, "g/"+chainFile, "g/0001-backup-2026-11-25/data/image/backup.bin"))
	sub, leave, err := enter(a.root, "g/0001-backup-2026-11-25")
	require.NoError(t, err)
	defer leave()
	require.NoError(t, fstest.TestFS(sub, "bagit.txt", "data/image/backup.bin"))
}

// TestLocalFSStaysInside: no path and no symbolic link leads out of a folder.
func TestLocalFSStaysInside(t *testing.T) {
	outside, dir := t.TempDir(), t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(outside, "secret"), []byte("x"), 0o644))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "in"), 0o755))
	for name, to := range map[string]string{"file": filepath.Join(outside, "secret"), "folder": outside, "in/up": "../..", "in/back": "../in"} {
		if err := os.Symlink(to, filepath.Join(dir, name)); err != nil {
			t.Skipf("no symbolic links here: %v", err)
		}
	}
	l, err := openLocal(dir)
	require.NoError(t, err)
	defer l.Close()
	for _, name := range []string{"file", "folder/secret", "in/up/" + filepath.Base(outside) + "/secret", "../" + filepath.Base(outside) + "/secret", "in/../../x", "/etc/hostname", `in\..\..`} {
		_, err := l.Open(name)
		assert.Error(t, err, name)
		_, err = l.ReadDir(name)
		assert.Error(t, err, name)
		_, _, err = enter(l, name)
		assert.Error(t, err, name)
	}
	_, err = openLocal(filepath.Join(outside, "secret"))
	assert.Error(t, err)
}

// TestManyFolders: an entry with more folders than are kept open at once.
func TestManyFolders(t *testing.T) {
	dir := t.TempDir()
	for i := range 100 {
		sub := filepath.Join(dir, "e", fmt.Sprint(i))
		require.NoError(t, os.MkdirAll(sub, 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(sub, "f"), []byte{byte(i)}, 0o644))
	}
	l, err := openLocal(dir)
	require.NoError(t, err)
	defer l.Close()
	sub, leave, err := enter(l, "e")
	require.NoError(t, err)
	defer leave()
	for range 2 {
		for i := range 100 {
			data, err := readLimited(sub, fmt.Sprint(i)+"/f")
			require.NoError(t, err)
			require.Equal(t, []byte{byte(i)}, data)
		}
	}
}

// TestEntryNames: the names of entries are those of this pattern.
func TestEntryNames(t *testing.T) {
	pattern := regexp.MustCompile(`^([0-9]{4}|[1-9][0-9]{4,8})-(backup|modified|readback|attachment|gate)-[0-9]{4}-[0-9]{2}-[0-9]{2}$`)
	for _, name := range []string{"", "0001", "0001-backup", "0001-backup-2026-11-2", "0001-backup-2026-11-256", "0001-backup-2026x11-25", "0001-backup--026-11-25", "00001-backup-2026-11-25", "123456789-gate-2026-11-25", "1234567890-gate-2026-11-25", "0000-gate-2026-11-25", "001-gate-2026-11-25", "0001-other-2026-11-25", "0001-backup-2026-11-25/"} {
		_, ok := parseEntryName(name)
		assert.Equal(t, pattern.MatchString(name) && name[:4] != "0000", ok, name)
	}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringMatching(`[0-9]{3,10}-(backup|modified|readback|attachment|gate|x)-[0-9]{3,5}[-x][0-9]{1,3}-[0-9a]{2}`).Draw(t, "name")
		n, ok := parseEntryName(name)
		if want := pattern.MatchString(name) && name[:5] != "0000-"; ok != want {
			t.Fatalf("%q: %v, want %v", name, ok, want)
		}
		if ok && fmt.Sprintf("%04d", n) != name[:len(fmt.Sprintf("%04d", n))] {
			t.Fatalf("%q gives %d", name, n)
		}
	})
}
