package browsertest

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
	"example.com/calproof/maps/demo"
)

// aPage is a page to open, with what must be read on it.
type aPage struct {
	name   string
	html   []byte
	wants  []string // on the screen
	prints []string // on paper, single-spaced
	big    bool     // too long for pictures
}

const version = "test"

// scenario is the demo, opened.
type scenario struct {
	files map[string][]byte
	m     *maps.Map
}

func openScenario(t *testing.T) scenario {
	t.Helper()
	files, err := demo.Files()
	require.NoError(t, err)
	s := scenario{files: map[string][]byte{}}
	for _, f := range files {
		s.files[f.Name] = f.Data
	}
	s.m, err = maps.Parse(demo.MapName, s.files[demo.MapName])
	require.NoError(t, err)
	return s
}

func (s scenario) bound(t *testing.T, name string) *maps.Bound {
	t.Helper()
	b, err := maps.Bind(s.m, s.image(t, name))
	require.NoError(t, err)
	return b
}

func (s scenario) image(t *testing.T, name string) *image.Image {
	t.Helper()
	data := s.files[name]
	require.NotNil(t, data, name)
	im, err := image.New(bytes.NewReader(data), int64(len(data)), image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	return im
}

func (s scenario) id(part, name string) report.FileID {
	data := s.files[name]
	return report.FileID{Part: part, Name: name, Size: int64(len(data)), SHA256: fmt.Sprintf("%x", sha256.Sum256(data))}
}

func render(t *testing.T, data report.Data, src report.Sources) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, report.HTML(&b, report.New(version, data), src))
	return b.Bytes()
}

func (s scenario) gate(t *testing.T, modified string, archive *diffmap.ArchiveEvidence) []byte {
	t.Helper()
	volts, latency, took := 13.1, 1.0, 66*time.Minute
	in := diffmap.GateInput{
		Original: s.bound(t, "backup.bin"), Modified: s.bound(t, modified), SecondRead: s.bound(t, "second-read.bin"),
		Bench: diffmap.BenchFigures{SupplyVolts: &volts, AdapterLatencyMS: &latency, ReadTook: &took},
	}
	if archive != nil {
		in.Archive = func(string) (*diffmap.ArchiveEvidence, error) { return archive, nil }
	}
	res, err := diffmap.Gate(in)
	require.NoError(t, err)
	return render(t, report.Gate("backup.bin", modified, "second-read.bin", in, res), report.Sources{
		Before: in.Original.Image, After: in.Modified.Image, Map: s.m,
		Files: []report.FileID{s.id("original", "backup.bin"), s.id("second read", "second-read.bin"), s.id("modified", modified), s.id("region map", demo.MapName)},
	})
}

func (s scenario) verify(t *testing.T, name string) []byte {
	t.Helper()
	im := s.image(t, name)
	v, err := diffmap.Verify(s.m, im)
	require.NoError(t, err)
	return render(t, report.VerifyData{File: name, Map: report.SummaryOf(s.m), Verification: v},
		report.Sources{Before: im, Map: s.m, Files: []report.FileID{s.id("image", name), s.id("region map", demo.MapName)}})
}

func (s scenario) diff(t *testing.T, before, after *image.Image, m *maps.Map) []byte {
	t.Helper()
	d, err := diffmap.Compare(before, after, m, diffmap.Options{})
	require.NoError(t, err)
	return render(t, report.DiffData{Original: "backup.bin", Modified: "edited.bin", Map: report.SummaryOf(m), Result: d},
		report.Sources{Before: before, After: after, Map: m, Files: []report.FileID{s.id("original", "backup.bin"), s.id("modified", "edited.bin")}})
}

// pages are made once: the gate judges the same images for every test.
func pages(t *testing.T) []aPage {
	t.Helper()
	once.Do(func() { made = makePages(t) })
	require.NotEmpty(t, made, "pages could not be made")
	return made
}

var (
	once sync.Once
	made []aPage
)

func makePages(t *testing.T) []aPage {
	t.Helper()
	s := openScenario(t)
	hash := fmt.Sprintf("%x", sha256.Sum256(s.files["backup.bin"]))
	archive := &diffmap.ArchiveEvidence{Entry: "groomer-1/0001-backup", Verified: evidence.Pass, Kept: evidence.Pass, Restorable: evidence.Pass, Detail: "equal byte for byte"}
	differ := []string{"the two images differ"}
	good := []string{"this image may be written", "warm-up idle speed", "track-speed limit", hash}
	return append(cases(t, s), []aPage{
		{name: "gate-good-edit", html: s.gate(t, "edited.bin", archive), wants: append(good, "pass"), prints: good},
		{name: "gate-not-archived", html: s.gate(t, "edited.bin", nil),
			wants: []string{"unproven", "do not write this image yet", "restored from the archive"}, prints: []string{"do not write this image yet"}},
		{name: "gate-boot-edit", html: s.gate(t, "edited-boot.bin", archive),
			wants: []string{"fail", "do not write this image", "boot"}, prints: []string{"do not write this image"}},
		{name: "gate-stale", html: s.gate(t, "edited-stale.bin", archive),
			wants: []string{"fail", "do not write this image", "does not agree"}, prints: []string{"does not agree"}},
		{name: "verify-backup", html: s.verify(t, "backup.bin"), wants: []string{"pass", hash}, prints: []string{hash}},
		{name: "verify-short-read", html: s.verify(t, "short-read.bin"),
			wants: []string{"fail", "the read stopped at 0x74c00", "do not keep it as a backup"}, prints: []string{"this is not a good image", "the read stopped at 0x74c00"}},
		{name: "diff-edited", html: s.diff(t, s.image(t, "backup.bin"), s.image(t, "edited.bin"), s.m), wants: differ, prints: differ},
		{name: "diff-no-map", html: s.diff(t, s.image(t, "backup.bin"), s.image(t, "edited.bin"), nil), wants: differ, prints: differ},
		{name: "diff-thousand", html: thousand(t, s), wants: []string{"1,000 bytes changed"}, prints: []string{"1,000 bytes changed"}, big: true},
		{name: "hostile", html: hostile(t), wants: differ, prints: differ},
	}...)
}

// thousand is a 1 MiB image with 1,000 scattered changes.
func thousand(t *testing.T, s scenario) []byte {
	t.Helper()
	r := rand.New(rand.NewPCG(5, 5))
	before := make([]byte, 1<<20)
	for i := range before {
		before[i] = byte(r.Uint32())
	}
	after := bytes.Clone(before)
	for i := range 1000 {
		after[i*1048+r.IntN(1000)] ^= 0x55
	}
	open := func(data []byte) *image.Image {
		im, err := image.FromSegments(image.Segment{Data: data})
		require.NoError(t, err)
		return im
	}
	return s.diff(t, open(before), open(after), nil)
}

// hostileNames must do nothing but be shown, escaped and cut.
var hostileNames = []string{
	`<script>document.title='owned'</script>`,
	`"><img src=x onerror="document.title='owned'">`,
	`</style><script>document.title='owned'</script>`,
	`</title><svg onload="document.title='owned'">`,
	"right\u202eto\u2066left\u200b",
	"bell\a escape\x1b[31m nul\x00",
	strings.Repeat("W", 10_000),
	"javascript:document.title='owned'",
}

// hostile is a page on which every name was chosen to break it.
func hostile(t *testing.T) []byte {
	t.Helper()
	before := bytes.Repeat([]byte("0123456789abcdef"), 4096)
	after := bytes.Clone(before)
	m := &maps.Map{Title: hostileNames[0], Image: maps.ImageSpec{Size: uint64(len(before)), Erased: 0xFF}}
	d := &diffmap.Result{}
	for i, name := range hostileNames {
		start := uint64(i) * 0x1000
		after[start+0x10] ^= 0xFF
		r := maps.Region{Name: name, Range: image.Range{Start: start, Size: 0x800}, Role: maps.RoleCalibration, Edit: maps.EditAllowed, Tags: []maps.Tag{maps.Tag(name)}}
		m.Regions = append(m.Regions, r)
		rng := image.Range{Start: start + 0x10, Size: 1}
		d.BytesChanged++
		d.Changes = append(d.Changes, diffmap.Change{Range: rng, Bytes: 1, Regions: []string{name}})
		d.Regions = append(d.Regions, diffmap.RegionChange{Name: name, Role: maps.Role(name), Edit: maps.EditRule(name), Tags: r.Tags, Size: 0x800, Bytes: 1, Ranges: []image.Range{rng}})
		axis := &maps.Axis{Values: []float64{1, 2}, Unit: name}
		table := maps.TableValue{Name: name, Region: name, Unit: name, Rows: 1, Cols: 2, X: axis, Cells: []maps.Cell{{Value: 1}, {Value: 2}}, Range: rng}
		changed := table
		changed.Cells = []maps.Cell{{Value: 5, Outside: true}, {Value: 2}}
		d.Tables = append(d.Tables, diffmap.TableChange{Before: table, After: changed, Cells: []int{0}})
		d.Identity = append(d.Identity, diffmap.IdentityChange{Before: maps.IdentityValue{Name: name, Value: name}, After: maps.IdentityValue{Name: name, Value: name + "2", Problem: name}, Changed: true})
		rule := maps.RuleResult{Rule: name, Algorithm: name, Computed: name, Stored: name, Verdict: evidence.Fail, Reason: name, Cover: []image.Range{rng}}
		d.Checksums = append(d.Checksums, diffmap.RuleChange{Before: rule, After: rule})
	}
	open := func(data []byte) *image.Image {
		im, err := image.FromSegments(image.Segment{Data: data})
		require.NoError(t, err)
		return im
	}
	return render(t, report.DiffData{Original: hostileNames[1], Modified: hostileNames[2], Map: report.SummaryOf(m), Result: d},
		report.Sources{Before: open(before), After: open(after), Map: m, Files: []report.FileID{{Part: "original", Name: hostileNames[3]}}})
}

// TestHostile opens the hostile page and checks that nothing came of it.
func TestHostile(t *testing.T) {
	page := hostile(t)
	for _, r := range []rune{0x202E, 0x2066, 0x200B, 0x07, 0x1B, 0} {
		require.False(t, bytes.ContainsRune(page, r), "U+%04X", r)
	}
	require.Less(t, len(page), 200_000, "a long name is cut")
}

// TestSize keeps the promise on the size of a page.
func TestSize(t *testing.T) {
	s := openScenario(t)
	require.Less(t, len(thousand(t, s)), 1_000_000, "1 MiB with 1,000 changes")
}
