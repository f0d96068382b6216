package archive

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/imagetest"
)

func export(t testing.TB, a *Archive, vehicle string) []byte {
	t.Helper()
	var out bytes.Buffer
	require.NoError(t, a.Export(ctx, vehicle, &out))
	return out.Bytes()
}

func importInto(a *Archive, data []byte) (*Imported, error) {
	return a.Import(ctx, bytes.NewReader(data), int64(len(data)))
}

func TestExportAndImport(t *testing.T) {
	a, b := newArchive(t), newArchive(t)
	fill(t, a, "Groomer 2", 500)
	first := export(t, a, "Groomer 2")
	assert.Equal(t, first, export(t, a, "groomer-2"), "two exports of one vehicle differ")
	v, err := CheckExport(ctx, bytes.NewReader(first), int64(len(first)))
	require.NoError(t, err)
	assert.Equal(t, "Groomer 2", v.Name)

	got, err := importInto(b, first)
	require.NoError(t, err)
	assert.Len(t, got.Added, 3)
	want := loadFS(t, filepath.Join(a.Dir(), "groomer-2"))
	assert.Equal(t, want, loadFS(t, filepath.Join(b.Dir(), "groomer-2")), "the same files, byte for byte")
	assert.Empty(t, verifyAll(t, b).Findings)

	// Again: nothing to do. Then only what is new.
	got, err = importInto(b, first)
	require.NoError(t, err)
	assert.Equal(t, &Imported{Folder: "groomer-2", Added: []string{}, Had: 3}, got)
	_, err = a.Add(ctx, Addition{Vehicle: "Groomer 2", Kind: Readback, Image: BytesSource("after.bin", noise(8, 500))})
	require.NoError(t, err)
	second := export(t, a, "Groomer 2")
	got, err = importInto(b, second)
	require.NoError(t, err)
	assert.Equal(t, []string{"0004-readback-2026-11-25"}, got.Added)
	got, err = importInto(b, first) // an older export
	require.NoError(t, err)
	assert.Empty(t, got.Added)

	// Two histories of one vehicle do not mix.
	_, err = b.Add(ctx, Addition{Vehicle: "Groomer 2", Kind: Readback, Image: BytesSource("b.bin", noise(9, 500))})
	require.NoError(t, err)
	_, err = a.Add(ctx, Addition{Vehicle: "Groomer 2", Kind: Readback, Image: BytesSource("a.bin", noise(10, 500))})
	require.NoError(t, err)
	before := loadFS(t, b.Dir())
	_, err = importInto(b, export(t, a, "Groomer 2"))
	assert.ErrorIs(t, err, ErrRefused)
	assert.ErrorContains(t, err, "another history")
	assert.Equal(t, before, loadFS(t, b.Dir()))
}

// TestExportOpensWithoutUs unpacks an export with unzip and checks the bag of
// bags with sha256sum.
func TestExportOpensWithoutUs(t *testing.T) {
	unzip, sha256sum := imagetest.Tool(t, "unzip"), imagetest.Tool(t, "sha256sum")
	a := newArchive(t)
	fill(t, a, "g", 500)
	dir := fastDir(t)
	file := filepath.Join(dir, "g.zip")
	require.NoError(t, os.WriteFile(file, export(t, a, "g"), 0o600))
	out, err := exec.Command(unzip, "-q", file, "-d", dir).CombinedOutput()
	require.NoError(t, err, "%s", out)
	for _, bag := range []string{"g", "g/data/0001-backup-2026-11-25", "g/data/0003-attachment-2026-11-25"} {
		cmd := exec.Command(sha256sum, "-c", "--strict", "manifest-sha256.txt", "tagmanifest-sha256.txt")
		cmd.Dir = filepath.Join(dir, filepath.FromSlash(bag))
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	report, err := bagit.Validate(ctx, os.DirFS(filepath.Join(dir, "g")), bagit.Options{})
	require.NoError(t, err)
	assert.True(t, report.Accepted(), "%v", report.Problems)
}

func TestDamagedVehicleIsNotExported(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 500)
	file := filepath.Join(a.Dir(), "g", "0001-backup-2026-11-25", "data", "image", "backup.bin")
	require.NoError(t, os.Chmod(file, 0o600))
	require.NoError(t, os.WriteFile(file, noise(99, 500), 0o600))
	var out bytes.Buffer
	assert.ErrorContains(t, a.Export(ctx, "g", &out), "is damaged and is not exported")
	assert.Zero(t, out.Len())
}

// TestImportFails lets every operation of an import fail.
func TestImportFails(t *testing.T) {
	from := newArchive(t)
	fill(t, from, "g", 200)
	data := export(t, from, "g")
	dir := newArchive(t).Dir()
	count := 0
	for at := 1; ; at += 3 {
		a := copyOf(t, dir)
		d := &faultyDisk{at: at, err: syscall.EIO}
		a.disk = d
		_, err := importInto(a, data)
		a.disk = quickDisk{}
		got := verifyAll(t, a)
		require.Equal(t, evidence.Pass, got.Verdict, "%v", got.Findings)
		if !d.failed {
			require.NoError(t, err)
			break
		}
		require.Error(t, err)
		count++
		_, err = importInto(a, data) // goes on where it stopped
		require.NoError(t, err)
		require.Equal(t, loadFS(t, filepath.Join(from.Dir(), "g")), loadFS(t, filepath.Join(a.Dir(), "g")))
	}
	t.Logf("%d faults", count)
	assert.Greater(t, count, 20)
}
