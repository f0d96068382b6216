package archive

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/imagetest"
)

var ctx = context.Background()

// day is the clock of the tests.
var day = time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC)

func testOptions() Options {
	return Options{Tool: "calproof test", Now: func() time.Time { return day }}
}

// fastDir returns a temporary folder, in memory where the system offers that:
// thousands of small archives are made, and none needs to outlive a power cut.
func fastDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "calproof-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func newArchive(t testing.TB) *Archive {
	t.Helper()
	a, err := Init(filepath.Join(fastDir(t), "archive"), testOptions())
	require.NoError(t, err)
	t.Cleanup(func() { a.Close() })
	a.disk = quickDisk{}
	return a
}

// noise returns size bytes that do not repeat, the same for a seed.
func noise(seed uint64, size int) []byte {
	r := rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8)})
	data := make([]byte, size)
	r.Read(data)
	return data
}

func sumOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

func passed(v evidence.Verdict) *Verdict {
	return &Verdict{Verdict: v, JSON: fmt.Appendf(nil, `{"verdict": %q, "findings": []}`, v), Text: []byte(string(v) + "\n")}
}

// backup is an addition with everything in it.
func backup(vehicle string, image []byte) Addition {
	volts, latency, took, base := 13.1, 0.5, 62*time.Minute, uint64(0x8000)
	return Addition{
		Vehicle: vehicle, Kind: Backup,
		Image: BytesSource("backup.bin", image), ImageFormat: "raw", ImageBase: &base,
		SecondRead: BytesSource("second-read.bin", image), Map: BytesSource("groomer.toml", []byte("format = 1\n")),
		Attached: []*Source{BytesSource("licence.txt", []byte("for tests only\n"))},
		Note:     "read on the bench,\nlid open", Verdict: passed(evidence.Pass),
		Controller: bagit.Fields{{Label: "software number", Value: "GD-0042"}},
		Conditions: Conditions{SupplyVolts: &volts, AdapterLatencyMS: &latency, Duration: &took},
	}
}

// fill adds a small history: a backup, an edit of it, an attachment.
func fill(t testing.TB, a *Archive, vehicle string, size int) {
	t.Helper()
	image := noise(1, size)
	edit := bytes.Clone(image)
	edit[size/2] ^= 0x10
	_, err := a.Add(ctx, backup(vehicle, image))
	require.NoError(t, err)
	_, err = a.Add(ctx, Addition{Vehicle: vehicle, Kind: Modified, Image: BytesSource("edited.bin", edit), Parent: sumOf(image), Verdict: passed(evidence.Unproven)})
	require.NoError(t, err)
	_, err = a.Add(ctx, Addition{Vehicle: vehicle, Kind: Attachment, Attached: []*Source{BytesSource("wiring.txt", []byte("pin 1: supply\n"))}})
	require.NoError(t, err)
}

func verifyAll(t testing.TB, a *Archive) *Verification {
	t.Helper()
	v, err := a.Verify(ctx, VerifyOptions{BothHashes: true})
	require.NoError(t, err)
	return v
}

func TestAddAndReadBack(t *testing.T) {
	a, err := Init(filepath.Join(t.TempDir(), "archive"), testOptions())
	require.NoError(t, err)
	defer a.Close()
	image := noise(7, 3000)
	added, err := a.Add(ctx, backup("Groomer 2", image))
	require.NoError(t, err)
	assert.Equal(t, "groomer-2/0001-backup-2026-11-25", added.Entry.Ref())

	v, err := a.Vehicle(ctx, "groomer 2")
	require.NoError(t, err)
	require.Len(t, v.Entries, 1)
	assert.Equal(t, added.Entry, v.Entries[0], "what Add returns is what is read back")
	e := v.Entries[0]
	assert.Equal(t, "Groomer 2", e.Vehicle)
	assert.Equal(t, "data/image/backup.bin", e.ImagePath)
	assert.Equal(t, sumOf(image), e.ImageSHA256)
	assert.Equal(t, 13.1, *e.Conditions.SupplyVolts)
	assert.Equal(t, 62*time.Minute, *e.Conditions.Duration)
	assert.Equal(t, "GD-0042", e.Controller.Get("software number"))
	assert.Equal(t, day, e.Created)

	var out bytes.Buffer
	require.NoError(t, a.Restore(ctx, &e, &out))
	assert.Equal(t, image, out.Bytes())
	out.Reset()
	require.NoError(t, a.RestoreFile(ctx, &e, e.NotePath, &out))
	assert.Equal(t, "read on the bench,\nlid open\n", out.String())

	got := verifyAll(t, a)
	assert.Equal(t, evidence.Pass, got.Verdict, "%v", got.Findings)
	assert.Empty(t, got.Findings)
}

// TestCoreutilsAgree checks every manifest of every entry, and the chain, with
// sha256sum and sha512sum.
func TestCoreutilsAgree(t *testing.T) {
	sha256sum, sha512sum := imagetest.Tool(t, "sha256sum"), imagetest.Tool(t, "sha512sum")
	a := newArchive(t)
	fill(t, a, "Groomer 2", 4096)
	check := func(dir, tool string, manifests ...string) {
		t.Helper()
		cmd := exec.Command(tool, append([]string{"-c", "--strict"}, manifests...)...)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		assert.NoError(t, err, "%s in %s: %s", tool, dir, out)
		assert.NotContains(t, string(out), "FAILED")
	}
	v, err := a.Vehicle(ctx, "Groomer 2")
	require.NoError(t, err)
	require.Len(t, v.Entries, 3)
	for _, e := range v.Entries {
		dir := filepath.Join(a.Dir(), e.Folder, e.Name)
		check(dir, sha256sum, "manifest-sha256.txt", "tagmanifest-sha256.txt")
		check(dir, sha512sum, "manifest-sha512.txt", "tagmanifest-sha512.txt")
	}
	check(filepath.Join(a.Dir(), v.Folder), sha256sum, chainFile)
}

// TestEntriesAreStrictBags: what we write, our own validator accepts, and no
// entry needs another algorithm or encoding.
func TestEntriesAreStrictBags(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "Groomer 2", 100)
	v, err := a.Vehicle(ctx, "Groomer 2")
	require.NoError(t, err)
	for _, e := range v.Entries {
		report, err := bagit.Validate(ctx, os.DirFS(filepath.Join(a.Dir(), e.Folder, e.Name)), bagit.Options{})
		require.NoError(t, err)
		assert.True(t, report.Accepted(), "%v", report.Problems)
		assert.Equal(t, "1.0", report.Version)
	}
}

func TestDuplicateIsRefused(t *testing.T) {
	a := newArchive(t)
	image := noise(1, 500)
	_, err := a.Add(ctx, backup("a", image))
	require.NoError(t, err)
	_, err = a.Add(ctx, backup("a", image))
	var dup *DuplicateError
	require.ErrorAs(t, err, &dup)
	assert.Equal(t, 1, dup.Existing.Number)
	again := backup("a", image)
	again.Again = true
	_, err = a.Add(ctx, again)
	require.NoError(t, err)
	_, err = a.Add(ctx, backup("b", image))
	require.NoError(t, err, "another vehicle may have the same image")
	found, err := a.Find(ctx, sumOf(image))
	require.NoError(t, err)
	assert.Len(t, found, 3)
	assert.Equal(t, evidence.Pass, verifyAll(t, a).Verdict)
}

func TestAdditionMistakesAreAllNamed(t *testing.T) {
	a := newArchive(t)
	_, err := a.Add(ctx, Addition{Vehicle: " ", VIN: "123", Kind: "copy", Parent: "x", Folder: "a/b"})
	for _, want := range []string{"vehicle has no name", "VIN has 3 characters", `kind "copy" is none of backup`, `parent "x"`, `name "a/b" holds '/'`} {
		assert.ErrorContains(t, err, want)
	}
	add := backup("a", noise(1, 10))
	add.Verdict = &Verdict{Verdict: evidence.Pass, JSON: []byte(`{"verdict":"fail"}`)}
	_, err = a.Add(ctx, add)
	assert.ErrorContains(t, err, `its JSON says "fail"`)
	add = backup("a", noise(1, 10))
	add.ImageSHA256 = sumOf([]byte("other"))
	_, err = a.Add(ctx, add)
	assert.ErrorContains(t, err, "changed while it was kept")
	add = backup("a", noise(1, 10))
	add.Parent = sumOf([]byte("other"))
	_, err = a.Add(ctx, add)
	assert.ErrorContains(t, err, "keep the original first")
	names, err := os.ReadDir(a.Dir())
	require.NoError(t, err)
	for _, n := range names {
		assert.Contains(t, []string{lockFile, markerFile}, n.Name(), "left behind")
	}
}

func TestVehicleFolders(t *testing.T) {
	a := newArchive(t)
	const id = "1M8GDM9AXKP042788" // published example, see image/vin/testdata
	for _, c := range []struct{ vehicle, vin, name, folder string }{
		{"Groomer 2 (blue)", "", "", "groomer-2-blue"},
		{id, "", "", "vehicle-001"},
		{"the old one " + strings.ToLower(id), "", "", "vehicle-002"},
		{"North slope?", "", "snowcat", "snowcat"},
		{"con", "", "", "vehicle-003"},
		{"Schneefräse 1", "", "", "schneefräse-1"},
		{"...", "", "", "vehicle-004"},
		{"1M8 GDM9A-XKP042787", "", "", "vehicle-005"},       // in pieces
		{"snowcat_1M8GDM9AXKP042786", "", "", "vehicle-006"}, // part of a word, by some readings
		{"1M8GDM9AXKP04278O", "", "", "vehicle-007"},         // O for 0
	} {
		add := backup(c.vehicle, []byte(c.vehicle))
		add.VIN, add.Folder = c.vin, c.name
		added, err := a.Add(ctx, add)
		require.NoError(t, err, c.vehicle)
		assert.Equal(t, c.folder, added.Entry.Folder)
		again, err := a.Vehicle(ctx, strings.ToUpper(c.vehicle))
		require.NoError(t, err, c.vehicle)
		assert.Equal(t, c.folder, again.Folder)
	}
	v, err := a.Vehicle(ctx, id)
	require.NoError(t, err)
	assert.Equal(t, id, v.VIN, "a name that is a VIN is kept as one")

	clash := backup("groomer 2, blue", nil)
	_, err = a.Add(ctx, clash)
	assert.ErrorContains(t, err, `folder "groomer-2-blue" of the archive is taken`)
	clash.Folder = "GROOMER-2-blue"
	_, err = a.Add(ctx, clash)
	assert.ErrorContains(t, err, "is taken")
	_, err = a.Vehicle(ctx, "nobody")
	assert.ErrorIs(t, err, ErrNotFound)
	assert.Equal(t, evidence.Pass, verifyAll(t, a).Verdict)
}

func TestEntryLookup(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 200)
	_, err := a.Add(ctx, Addition{Vehicle: "g", Kind: Backup, Image: BytesSource("later.bin", noise(9, 200))})
	require.NoError(t, err)
	v, err := a.Vehicle(ctx, "g")
	require.NoError(t, err)
	first := v.Entries[0]
	for ref, number := range map[string]int{
		"1": 1, "0002": 2, "backup": 4, "modified": 2, first.Name: 1, first.ImageSHA256: 1, strings.ToUpper(first.ImageSHA256[:8]): 1,
	} {
		e, err := v.Entry(ref)
		require.NoError(t, err, ref)
		assert.Equal(t, number, e.Number, ref)
	}
	for _, ref := range []string{"", "5", "0", "readback", first.ImageSHA256[:7] + "x", "9999999999999999999999"} {
		_, err := v.Entry(ref)
		assert.ErrorIs(t, err, ErrNotFound, ref)
	}
}

func TestNamesAreMadeSafe(t *testing.T) {
	a := newArchive(t)
	add := backup("g", noise(1, 10))
	add.Image.Name = "con.bin"
	add.Attached = nil
	for _, name := range []string{"a%b.txt", "A%B.TXT", "ends in dot.", "Nu\u0301n\u0303ez.txt", "N\u00FA\u00F1ez.txt", strings.Repeat("long", 60) + ".txt", "\xff\xfe", "a\nb", "..", "aux"} {
		add.Attached = append(add.Attached, BytesSource(name, []byte(name)))
	}
	added, err := a.Add(ctx, add)
	require.NoError(t, err)
	assert.Equal(t, "data/image/_con.bin", added.Entry.ImagePath)
	assert.Equal(t, "con.bin", added.Entry.ImageName)
	assert.Contains(t, added.Entry.Attached, "data/attached/a_b.txt")
	assert.Contains(t, added.Entry.Attached, "data/attached/A_B-2.TXT")
	assert.Contains(t, added.Entry.Attached, "data/attached/N\u00FA\u00F1ez-2.txt")
	got := verifyAll(t, a)
	assert.Equal(t, evidence.Pass, got.Verdict, "%v", got.Findings)
}

func TestInitRefusesAFullFolder(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "x"), nil, 0o600))
	_, err := Init(dir, Options{})
	assert.ErrorContains(t, err, `is not empty (it holds "x")`)
	_, err = Open(dir, Options{})
	assert.ErrorIs(t, err, ErrNotArchive)
	a := newArchive(t)
	_, err = Init(a.Dir(), Options{})
	assert.ErrorContains(t, err, "is an archive already")
	_, err = a.Add(ctx, backup("g", noise(1, 10))) // now there is a lock beside the marker
	require.NoError(t, err)
	_, err = Init(a.Dir(), Options{})
	assert.ErrorContains(t, err, "is an archive already")
	_, err = Open(filepath.Join(dir, "none"), Options{})
	assert.ErrorContains(t, err, "there is no such folder")
	dir = t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, markerFile), []byte("calproof archive, format 2\n"), 0o600))
	_, err = Open(dir, Options{})
	assert.ErrorIs(t, err, ErrNotArchive)
	assert.ErrorContains(t, err, "format 2")
}

// TestSourcesAreFiles: what is no file is refused at once, not read without end.
func TestSourcesAreFiles(t *testing.T) {
	dir := t.TempDir()
	_, err := FileSource(dir).Open()
	assert.ErrorContains(t, err, "is a folder")
	_, err = FileSource(filepath.Join(dir, "none")).Open()
	assert.ErrorIs(t, err, fs.ErrNotExist)
	_, err = FileSource(os.DevNull).Open()
	assert.ErrorContains(t, err, "is no regular file")
}

func TestClockSetBack(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 100)
	a.opts.Now = func() time.Time { return day.AddDate(-3, 0, 0) }
	_, err := a.Add(ctx, Addition{Vehicle: "g", Kind: Backup, Image: BytesSource("later.bin", noise(9, 200))})
	require.NoError(t, err)
	v, err := a.Vehicle(ctx, "g")
	require.NoError(t, err)
	assert.Equal(t, "0004-backup-2023-11-25", v.Entries[3].Name, "the number orders entries, not the day")
	got := verifyAll(t, a)
	assert.Equal(t, evidence.Pass, got.Verdict)
	require.Len(t, got.Findings, 1)
	assert.Equal(t, "clock-set-back", got.Findings[0].Code)
}

// TestClockOutOfRange: a clock that no entry can be dated with adds nothing; an
// entry under such a name would not be found again.
func TestClockOutOfRange(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 50)
	for _, year := range []int{-1, 10_000} {
		a.opts.Now = func() time.Time { return time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC) }
		for _, vehicle := range []string{"g", "h"} {
			_, err := a.Add(ctx, backup(vehicle, noise(9, 50)))
			assert.ErrorContains(t, err, "the clock of this machine says")
		}
	}
	// Far ahead, then right again, then before everything: each is kept.
	for i, year := range []int{9999, 2026, 1970, 0} {
		a.opts.Now = func() time.Time { return time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC) }
		_, err := a.Add(ctx, Addition{Vehicle: "g", Kind: Readback, Image: BytesSource("r.bin", noise(uint64(20+i), 50))})
		require.NoError(t, err)
	}
	got := verifyAll(t, a)
	assert.Equal(t, evidence.Pass, got.Verdict, "%v", got.Findings)
	assert.Len(t, got.Findings, 3, "each step back is noted")
	assert.Len(t, entriesOf(t, a), 7)
}

// TestNotesOnTheVehicle: an addition to a vehicle that was found by its VIN
// alone says so, and a name that may hold a VIN is pointed out.
func TestNotesOnTheVehicle(t *testing.T) {
	a := newArchive(t)
	const id = "1M8GDM9AXKP042788" // published example, see image/vin/testdata
	notes := func(vehicle, vin string, image uint64) []string {
		add := backup(vehicle, noise(image, 50))
		add.VIN = vin
		added, err := a.Add(ctx, add)
		require.NoError(t, err)
		return added.Notes
	}
	assert.Empty(t, notes("blue", id, 1))
	assert.Empty(t, notes("BLUE", "", 2))
	assert.Empty(t, notes(id, "", 3))
	assert.ErrorContains(t, noted(notes("red", id, 4)), `"red" is "blue" in the archive`)
	assert.ErrorContains(t, noted(notes("1M8GDM9AXKP04278O", "", 5)), "may hold a VIN")
}

func noted(notes []string) error { return errors.New(strings.Join(notes, "\n")) }

// TestFindByTheBeginning: as few digits of a hash as `show` prints are enough,
// fewer than eight are not.
func TestFindByTheBeginning(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "a", 50)
	v, err := a.Vehicle(ctx, "a")
	require.NoError(t, err)
	sum := v.Entries[0].ImageSHA256
	found, err := a.Find(ctx, sum[:MinHashDigits])
	require.NoError(t, err)
	require.NotEmpty(t, found)
	assert.Equal(t, sum, found[0].ImageSHA256)
	_, err = a.Find(ctx, sum[:MinHashDigits-1])
	assert.ErrorContains(t, err, "give 8 digits or more")
	_, err = a.FindFiles(ctx, sum[:MinHashDigits-1])
	assert.ErrorContains(t, err, "give 8 digits or more")
}

// TestFindFiles: whatever an entry keeps is found by its hash, and it is told
// what it is kept as. An entry that cannot be searched does not hide another.
func TestFindFiles(t *testing.T) {
	a := newArchive(t)
	add := backup("a", noise(61, 4096))
	files := map[string][]byte{"image": noise(61, 4096), "second read": noise(62, 4096), "region map": []byte("format = 1\n"),
		"attached file": []byte("%PDF-1.7\n"), "note": []byte("battery new\n"), "verdict": []byte(`{"verdict":"pass"}`)}
	add.SecondRead = BytesSource("again.bin", files["second read"])
	add.Map = BytesSource("map.toml", files["region map"])
	add.Attached = []*Source{BytesSource("order.pdf", files["attached file"])}
	add.Note = "battery new"
	add.Verdict = &Verdict{Verdict: evidence.Pass, JSON: files["verdict"], Text: []byte("pass\n")}
	_, err := a.Add(ctx, add)
	require.NoError(t, err)
	for as, data := range files {
		found, err := a.FindFiles(ctx, sumOf(data)[:16])
		require.NoError(t, err)
		require.Len(t, found, 1, as)
		assert.Equal(t, as, found[0].As)
		assert.Equal(t, 1, found[0].Entry.Number)
		var out bytes.Buffer
		require.NoError(t, a.RestoreFile(ctx, &found[0].Entry, found[0].Path, &out))
		assert.Equal(t, data, out.Bytes(), as)
	}
	found, err := a.FindFiles(ctx, sumOf(noise(63, 4096)))
	require.NoError(t, err)
	assert.Empty(t, found)

	other, err := a.Add(ctx, backup("b", noise(64, 4096)))
	require.NoError(t, err)
	manifest := filepath.Join(a.Dir(), other.Entry.Folder, other.Entry.Name, "manifest-sha256.txt")
	require.NoError(t, os.WriteFile(manifest, []byte("no manifest\n"), 0o666))
	found, err = a.FindFiles(ctx, sumOf(files["second read"]))
	require.ErrorContains(t, err, "manifest-sha256.txt: line 1")
	assert.Len(t, found, 1)
}

// unreadableFolder is a disk on which one folder cannot be read.
type unreadableFolder struct {
	fs.FS
	folder string
}

func (u unreadableFolder) Open(name string) (fs.File, error) {
	if name == u.folder {
		return nil, &fs.PathError{Op: "open", Path: name, Err: errors.New("input/output error")}
	}
	return u.FS.Open(name)
}

// TestOneVehicleCannotBeRead: the others are verified and listed all the same.
func TestOneVehicleCannotBeRead(t *testing.T) {
	a := newArchive(t)
	for _, v := range []string{"a", "b", "c"} {
		fill(t, a, v, 50)
	}
	r, err := NewReader(unreadableFolder{os.DirFS(a.Dir()), "b"})
	require.NoError(t, err)
	v, err := r.Verify(ctx, VerifyOptions{})
	require.NoError(t, err)
	assert.Equal(t, evidence.Fail, v.Verdict)
	require.Len(t, v.Findings, 1)
	assert.Equal(t, "vehicle-unreadable", v.Findings[0].Code)
	assert.Equal(t, 3, v.Vehicles)
	assert.Equal(t, 6, v.Entries)
	var got []string
	for v, err := range r.Vehicles(ctx) {
		if err != nil {
			assert.ErrorContains(t, err, "input/output error")
		}
		got = append(got, v.Folder)
	}
	assert.Equal(t, []string{"a", "b", "c"}, got)
}
