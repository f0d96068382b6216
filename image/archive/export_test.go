package archive

import (
	"archive/zip"
	"bytes"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
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

// zipOf writes a zip file by hand. Order of names is the order of files.
func zipOf(t testing.TB, files map[string][]byte, edit func(h *zip.FileHeader)) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		h := &zip.FileHeader{Name: name, Method: zip.Store}
		if edit != nil {
			edit(h)
		}
		w, err := z.CreateHeader(h)
		require.NoError(t, err)
		_, err = w.Write(files[name])
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	return out.Bytes()
}

// TestHostileImports: what is no export is refused, and not a byte is written
// in the archive or beside it.
func TestHostileImports(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 500)
	good := unzipped(t, export(t, a, "g"))
	with := func(name string, data []byte) map[string][]byte {
		m := maps.Clone(good)
		m[name] = data
		return m
	}
	without := func(name string) map[string][]byte {
		m := maps.Clone(good)
		delete(m, name)
		return m
	}
	flipped := func(name string) map[string][]byte {
		data := bytes.Clone(good[name])
		data[len(data)/2] ^= 1
		return with(name, data)
	}
	twice := func() []byte {
		var out bytes.Buffer
		z := zip.NewWriter(&out)
		for _, name := range append(slices.Sorted(maps.Keys(good)), "g/bagit.txt") {
			w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
			require.NoError(t, err)
			_, _ = w.Write(good[name])
		}
		require.NoError(t, z.Close())
		return out.Bytes()
	}
	bomb := zipOf(t, map[string][]byte{"g/data/zeros": make([]byte, 4<<20)}, func(h *zip.FileHeader) { h.Method = zip.Deflate })
	require.Less(t, len(bomb), 20_000)
	for name, data := range map[string][]byte{
		"empty":              {},
		"no zip":             []byte("hello"),
		"zip of nothing":     zipOf(t, nil, nil),
		"cut off":            zipOf(t, good, nil)[:2000],
		"zip bomb":           bomb,
		"traversal":          zipOf(t, with("g/../../evil", []byte("x")), nil),
		"traversal at once":  zipOf(t, with("../evil", []byte("x")), nil),
		"absolute":           zipOf(t, with("/evil", []byte("x")), nil),
		"drive":              zipOf(t, with(`g/C:\evil`, []byte("x")), nil),
		"backslashes":        zipOf(t, with(`g/..\..\evil`, []byte("x")), nil),
		"second folder":      zipOf(t, with("h/bagit.txt", []byte("x")), nil),
		"reserved name":      zipOf(t, with("g/data/nul", []byte("x")), nil),
		"name twice":         twice(),
		"case":               zipOf(t, with("g/BAGIT.txt", good["g/bagit.txt"]), nil),
		"fetch":              zipOf(t, with("g/fetch.txt", []byte("http://127.0.0.1/x - data/x\n")), nil),
		"unlisted file":      zipOf(t, with("g/data/new", []byte("x")), nil),
		"missing file":       zipOf(t, without("g/data/"+chainFile), nil),
		"flipped payload":    zipOf(t, flipped("g/data/0001-backup-2026-11-25/data/image/backup.bin"), nil),
		"flipped manifest":   zipOf(t, flipped("g/manifest-sha512.txt"), nil),
		"flipped bag-info":   zipOf(t, flipped("g/bag-info.txt"), nil),
		"huge manifest line": zipOf(t, with("g/manifest-sha256.txt", bytes.Repeat([]byte("0"), 1<<20)), nil),
		"UTF-16":             zipOf(t, with("g/bagit.txt", []byte("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n")), nil),
		"link": zipOf(t, good, func(h *zip.FileHeader) {
			if strings.HasSuffix(h.Name, "backup.bin") {
				h.SetMode(fs.ModeSymlink | 0o777)
			}
		}),
		"foreign folder": rebag(t, good, func(f bagit.Fields) {
			for i := range f {
				if f[i].Label == labelFolder {
					f[i].Value = "../h"
				}
			}
		}),
		"rewritten entry": rewritten(t, good),
		"compressed":      zipOf(t, good, func(h *zip.FileHeader) { h.Method = zip.Deflate }),
	} {
		t.Run(name, func(t *testing.T) {
			b := newArchive(t)
			parent := filepath.Dir(b.Dir())
			before := loadFS(t, parent)
			_, err := importInto(b, data)
			assert.ErrorIs(t, err, ErrRefused)
			if name == "zip bomb" || name == "compressed" {
				assert.ErrorContains(t, err, "compressed or encrypted")
			}
			assert.Equal(t, before, loadFS(t, parent), "something was written")
			assert.Empty(t, entriesOf(t, b))
		})
	}
	b := newArchive(t)
	_, err := importInto(b, zipOf(t, good, nil))
	require.NoError(t, err, "the good one must pass, or this test proves nothing")
}

func unzipped(t testing.TB, data []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	require.NoError(t, err)
	files := map[string][]byte{}
	for _, f := range z.File {
		files[f.Name], err = fs.ReadFile(z, f.Name)
		require.NoError(t, err)
	}
	return files
}

// rebag changes an export's bag-info.txt or payload and makes its manifests
// anew: a sound outer bag.
func rebag(t testing.TB, files map[string][]byte, change func(bagit.Fields)) []byte {
	t.Helper()
	fields, err := bagit.ParseInfo(files["g/bag-info.txt"])
	require.NoError(t, err)
	change(fields)
	info, err := bagit.FormatInfo(fields)
	require.NoError(t, err)
	out, all := map[string][]byte{}, map[string]sums{}
	for name, data := range files {
		if rest, ok := strings.CutPrefix(name, "g/data/"); ok {
			out["data/"+rest] = data
		}
	}
	put := func(name string, data []byte) error {
		out[name] = data
		s := newSummer(ctx)
		_, err := s.Write(data)
		all[name] = s.sums()
		return err
	}
	for name, data := range maps.Clone(out) {
		require.NoError(t, put(name, data))
	}
	require.NoError(t, writeTagFiles(all, info, put))
	named := map[string][]byte{}
	for name, data := range out {
		named["g/"+name] = data
	}
	return zipOf(t, named, nil)
}

// rewritten replaces an image and its hashes in the first entry, so that every
// bag is sound and only the chain contradicts.
func rewritten(t testing.TB, good map[string][]byte) []byte {
	t.Helper()
	forge := newArchive(t)
	_, err := forge.Add(ctx, backup("g", noise(77, 500)))
	require.NoError(t, err)
	files := maps.Clone(good)
	for name, data := range loadFS(t, forge.Dir()) {
		if rest, ok := strings.CutPrefix(name, "g/0001-"); ok {
			files["g/data/0001-"+rest] = data
		}
	}
	return rebag(t, files, func(bagit.Fields) {})
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
