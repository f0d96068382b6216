package keeping_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/keeping"
	"example.com/calproof/image"
	"example.com/calproof/image/archive"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
	"example.com/calproof/maps/demo"
)

var ctx = context.Background()

// shop is an archive beside the demo scenario.
type shop struct {
	t     *testing.T
	a     *archive.Archive
	files map[string][]byte
	m     *maps.Map
}

func newShop(t *testing.T) *shop {
	t.Helper()
	a, err := archive.Init(filepath.Join(t.TempDir(), "shop"), archive.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { a.Close() })
	s := &shop{t: t, a: a, files: map[string][]byte{}}
	files, err := demo.Files()
	require.NoError(t, err)
	for _, f := range files {
		s.files[f.Name] = f.Data
	}
	s.m, err = maps.Parse(demo.MapName, s.files[demo.MapName])
	require.NoError(t, err)
	return s
}

func (s *shop) open(name string) *maps.Bound {
	s.t.Helper()
	data := s.files[name]
	b, err := maps.New(name, bytes.NewReader(data), int64(len(data)), s.m, image.Options{})
	require.NoError(s.t, err)
	return b
}

// keep keeps a file of the scenario with a verdict; "" means the right one.
func (s *shop) keep(name string, kind archive.Kind, second string, verdict evidence.Verdict) archive.Entry {
	s.t.Helper()
	add := archive.Addition{Vehicle: "g", Kind: kind, Image: archive.BytesSource(name, s.files[name]), Map: archive.BytesSource("groomer.toml", s.files[demo.MapName])}
	var secondRead *maps.Bound
	if second != "" {
		add.SecondRead = archive.BytesSource(second, s.files[second])
		secondRead = s.open(second)
	}
	if verdict == "" {
		j, err := keeping.Judge(s.open(name), secondRead, nil)
		require.NoError(s.t, err)
		verdict = j.Verdict()
	}
	add.Verdict = &archive.Verdict{Verdict: verdict, JSON: fmt.Appendf(nil, `{"verdict":%q}`, verdict), Text: []byte("x\n")}
	var err error
	add.Parent, err = keeping.Parent(ctx, s.a.Reader, "g", kind, "")
	require.NoError(s.t, err)
	added, err := s.a.Add(ctx, add)
	require.NoError(s.t, err)
	return added.Entry
}

func (s *shop) verify() *archive.Verification {
	s.t.Helper()
	v, err := s.a.Verify(ctx, archive.VerifyOptions{Recompute: keeping.Recompute})
	require.NoError(s.t, err)
	return v
}

// TestKeptVerdicts: the verdicts of the scenario (its table is in maps/demo),
// kept and computed again.
func TestKeptVerdicts(t *testing.T) {
	if testing.Short() {
		t.Skip("examines many reads")
	}
	s := newShop(t)
	for _, c := range []struct {
		file, second string
		want         evidence.Verdict
	}{
		{"backup.bin", "second-read.bin", evidence.Pass},
		{"short-read.bin", "", evidence.Fail},
		{"stuck-line-read.bin", "", evidence.Fail},
		{"edited-stale.bin", "", evidence.Fail},
		{"edited.bin", "backup.bin", evidence.Fail}, // two reads that disagree
	} {
		assert.Equal(t, c.want, s.keep(c.file, archive.Backup, c.second, "").Verdict, c.file)
	}
	got := s.verify()
	assert.Equal(t, evidence.Pass, got.Verdict, "%v", got.Findings)
}

// A bad read and a copy of it: what they hold is told once.
func TestJudgeEqualBadReads(t *testing.T) {
	s := newShop(t)
	j, err := keeping.Judge(s.open("stuck-line-read.bin"), s.open("stuck-line-read.bin"), nil)
	require.NoError(t, err)
	assert.Equal(t, evidence.Fail, j.Verdict())
	assert.Equal(t, evidence.Pass, j.SecondRead.Agree)
	seen := map[string]int{}
	for _, f := range j.Findings() {
		seen[f.Code+f.Message]++
	}
	for f, n := range seen {
		assert.Equal(t, 1, n, f)
	}
}

// TestWrongKeptVerdict: a verdict that was kept and does not come out again.
func TestWrongKeptVerdict(t *testing.T) {
	s := newShop(t)
	s.keep("short-read.bin", archive.Backup, "", evidence.Pass)
	got := s.verify()
	assert.Equal(t, evidence.Fail, got.Verdict)
	assert.Equal(t, "verdict-differs", got.Findings[0].Code)

	s = newShop(t)
	s.keep("backup.bin", archive.Backup, "", evidence.Unproven)
	got = s.verify()
	assert.Equal(t, evidence.Unproven, got.Verdict)
	assert.Contains(t, got.Findings[0].Message, "kept verdict is unproven")
}

func TestRecomputeOfAGateRecord(t *testing.T) {
	if testing.Short() {
		t.Skip("examines many reads")
	}
	s := newShop(t)
	original := s.keep("backup.bin", archive.Backup, "second-read.bin", "")
	volts, latency := 13.2, 0.8
	record := func(name string, verdict evidence.Verdict, volts *float64) {
		doc, err := json.Marshal(map[string]any{"verdict": verdict, "data": map[string]any{"accepted": []any{}}})
		require.NoError(t, err)
		_, err = s.a.Add(ctx, archive.Addition{Vehicle: "g", Kind: archive.GateRecord, Parent: original.ImageSHA256,
			Image: archive.BytesSource(name, s.files[name]), Map: archive.BytesSource("groomer.toml", s.files[demo.MapName]),
			SecondRead: archive.BytesSource("second-read.bin", s.files["second-read.bin"]),
			Verdict:    &archive.Verdict{Verdict: verdict, JSON: doc, Text: []byte("x\n")},
			Conditions: archive.Conditions{SupplyVolts: volts, AdapterLatencyMS: &latency}})
		require.NoError(t, err)
	}
	record("edited.bin", evidence.Pass, &volts)
	record("edited.bin", evidence.Unproven, nil) // bench figures not stated
	record("edited-boot.bin", evidence.Fail, &volts)
	got := s.verify()
	assert.Equal(t, evidence.Pass, got.Verdict, "%v", got.Findings)
	record("edited-boot.bin", evidence.Pass, &volts) // a lie
	got = s.verify()
	assert.Equal(t, evidence.Fail, got.Verdict)
	assert.Contains(t, got.Findings[0].Message, "computed again it is fail")
}

// TestDamagedParent: one changed byte of an original is one fault, of that
// entry; the gate's verdict below it is said to be out of reach, not wrong.
func TestDamagedParent(t *testing.T) {
	s := newShop(t)
	original := s.keep("backup.bin", archive.Backup, "second-read.bin", "")
	s.keep("edited.bin", archive.Modified, "", "") // judged by itself, so it stands
	volts, latency := 13.2, 0.8
	_, err := s.a.Add(ctx, archive.Addition{Vehicle: "g", Kind: archive.GateRecord, Parent: original.ImageSHA256,
		Image: archive.BytesSource("edited.bin", s.files["edited.bin"]), Map: archive.BytesSource("groomer.toml", s.files[demo.MapName]),
		Verdict:    &archive.Verdict{Verdict: evidence.Pass, JSON: []byte(`{"verdict":"pass","data":{"accepted":[]}}`), Text: []byte("x\n")},
		Conditions: archive.Conditions{SupplyVolts: &volts, AdapterLatencyMS: &latency}})
	require.NoError(t, err)
	require.Empty(t, s.verify().Findings)

	file := filepath.Join(s.a.Dir(), "g", original.Name, filepath.FromSlash(original.ImagePath))
	require.NoError(t, os.Chmod(file, 0o600))
	damaged := bytes.Clone(s.files["backup.bin"])
	damaged[0x1234] ^= 1
	require.NoError(t, os.WriteFile(file, damaged, 0o600))
	got := s.verify()
	assert.Equal(t, evidence.Fail, got.Verdict)
	require.Len(t, got.Findings, 2, "%v", got.Findings)
	assert.Equal(t, "hash-mismatch", got.Findings[0].Code)
	assert.Contains(t, got.Findings[0].Message, "g/"+original.Name+": data/image/backup.bin")
	assert.Equal(t, "verdict-not-recomputed", got.Findings[1].Code)
	assert.Equal(t, evidence.Caution, got.Findings[1].Severity)
	assert.Contains(t, got.Findings[1].Message, "because "+original.Name)
}

func TestEvidence(t *testing.T) {
	if testing.Short() {
		t.Skip("examines many reads")
	}
	s := newShop(t)
	ask := func(vehicle, name string) (*diffmap.ArchiveEvidence, *archive.Entry) {
		t.Helper()
		ev, e, err := keeping.Evidence(ctx, s.a.Reader, vehicle, fmt.Sprintf("%x", sha256.Sum256(s.files[name])))
		require.NoError(t, err)
		return ev, e
	}
	ev, e := ask("", "backup.bin")
	assert.Nil(t, e)
	assert.Equal(t, evidence.Unproven, evidence.Combine(ev.Verified, ev.Kept, ev.Restorable))
	ev, e = ask("nobody", "backup.bin")
	assert.Nil(t, e)
	assert.Contains(t, ev.Detail, `vehicle "nobody"`)

	kept := s.keep("backup.bin", archive.Backup, "second-read.bin", "")
	s.keep("edited.bin", archive.Modified, "", "")
	for _, vehicle := range []string{"", "g"} {
		ev, e = ask(vehicle, "backup.bin")
		require.NotNil(t, e)
		assert.Equal(t, &diffmap.ArchiveEvidence{Entry: kept.Ref(), Verified: evidence.Pass, Kept: evidence.Pass, Restorable: evidence.Pass}, ev)
	}
	_, e = ask("", "edited.bin")
	assert.Nil(t, e, "a modified image is no backup")

	// A failed read is kept and proves nothing.
	s.keep("short-read.bin", archive.Backup, "", "")
	ev, _ = ask("", "short-read.bin")
	assert.Equal(t, evidence.Fail, ev.Kept)

	// Damage to another entry of the vehicle breaks the chain's record.
	file := filepath.Join(s.a.Dir(), "g", kept.Name, filepath.FromSlash(kept.ImagePath))
	require.NoError(t, os.Chmod(file, 0o600))
	damaged := bytes.Clone(s.files["backup.bin"])
	damaged[99] ^= 1
	require.NoError(t, os.WriteFile(file, damaged, 0o600))
	ev, _ = ask("", "backup.bin")
	assert.Equal(t, evidence.Fail, ev.Verified)
	assert.Equal(t, evidence.Fail, ev.Restorable)
	assert.NotEmpty(t, ev.Detail)
}

func TestNearest(t *testing.T) {
	s := newShop(t)
	unknown := s.files["edited.bin"]
	im, err := image.New(bytes.NewReader(unknown), int64(len(unknown)), image.Options{})
	require.NoError(t, err)
	near, err := keeping.Nearest(ctx, s.a.Reader, im)
	require.NoError(t, err)
	assert.Nil(t, near)
	s.keep("stuck-line-read.bin", archive.Backup, "", "")
	s.keep("backup.bin", archive.Backup, "", "")
	near, err = keeping.Nearest(ctx, s.a.Reader, im)
	require.NoError(t, err)
	assert.Equal(t, 2, near.Entry.Number)
	different := 0 // counted by a plain loop
	for i := range unknown {
		if unknown[i] != s.files["backup.bin"][i] {
			different++
		}
	}
	assert.Equal(t, uint64(different), near.Bytes)
	var regions []string
	for _, r := range near.Diff.Regions {
		if r.Bytes > 0 {
			regions = append(regions, r.Name)
		}
	}
	assert.Equal(t, []string{"drive calibration"}, regions)
}

// TestNearestWithAMap: of two entries with one image, and of two images that are
// as near, the one that was kept with a map tells the regions.
func TestNearestWithAMap(t *testing.T) {
	s := newShop(t)
	unknown := s.files["edited.bin"]
	im, err := image.New(bytes.NewReader(unknown), int64(len(unknown)), image.Options{})
	require.NoError(t, err)
	mirrored := bytes.Clone(unknown) // differs from unknown in as many bytes as the backup
	for i, b := range s.files["backup.bin"] {
		if b != unknown[i] {
			mirrored[i] = b ^ 0xFF
			if mirrored[i] == unknown[i] {
				mirrored[i] = b ^ 0x55
			}
		}
	}
	for i, data := range [][]byte{mirrored, s.files["backup.bin"]} {
		_, err = s.a.Add(ctx, archive.Addition{Vehicle: fmt.Sprint("a", i), Kind: archive.Backup, Image: archive.BytesSource("x.bin", data)})
		require.NoError(t, err)
	}
	near, err := keeping.Nearest(ctx, s.a.Reader, im)
	require.NoError(t, err)
	assert.Equal(t, "a0", near.Entry.Folder)
	assert.Empty(t, near.Diff.Regions)
	s.keep("backup.bin", archive.Backup, "", "")
	near, err = keeping.Nearest(ctx, s.a.Reader, im)
	require.NoError(t, err)
	assert.Equal(t, "g", near.Entry.Folder)
	assert.NotEmpty(t, near.Diff.Regions)
}

func TestParent(t *testing.T) {
	s := newShop(t)
	parent := func(kind archive.Kind, ref string) string {
		t.Helper()
		sum, err := keeping.Parent(ctx, s.a.Reader, "g", kind, ref)
		require.NoError(t, err)
		return sum
	}
	assert.Empty(t, parent(archive.Modified, ""))
	one := s.keep("backup.bin", archive.Backup, "", "").ImageSHA256
	assert.Empty(t, parent(archive.Backup, ""))
	assert.Equal(t, one, parent(archive.Modified, ""))
	assert.Equal(t, one, parent(archive.Readback, ""))
	two := s.keep("edited.bin", archive.Modified, "", "").ImageSHA256
	assert.Equal(t, one, parent(archive.Modified, ""))
	assert.Equal(t, two, parent(archive.Readback, ""))
	assert.Equal(t, two, parent(archive.Modified, "2"))
	assert.Equal(t, one, parent(archive.Readback, one))
	_, err := keeping.Parent(ctx, s.a.Reader, "g", archive.Modified, "7")
	assert.ErrorIs(t, err, archive.ErrNotFound)
}
