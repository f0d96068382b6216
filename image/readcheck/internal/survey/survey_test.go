package main

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
)

func TestReplaceTable(t *testing.T) {
	doc := []byte("a\n<!-- begin x -->\nold\n<!-- end x -->\nb\n")
	got, err := replaceTable(doc, "x", "new\n")
	require.NoError(t, err)
	assert.Equal(t, "a\n<!-- begin x -->\nnew\n<!-- end x -->\nb\n", string(got))
	_, err = replaceTable(doc, "y", "new\n")
	require.ErrorContains(t, err, "begin y")
}

func TestKinds(t *testing.T) {
	assert.Equal(t, "ELF", kindOf("a.bin", []byte("\x7FELF\x01")))
	assert.Equal(t, "compressed", kindOf("a", []byte("\x1F\x8B\x08")))
	assert.Equal(t, "firmware", kindOf("dir/a.ROM", []byte("\x55\xAA")))
	assert.Equal(t, "firmware", kindOf("p/lib/firmware/a/b.dat", []byte("\x55\xAA")), "by its folder")
	assert.Equal(t, "compressed", kindOf("p/lib/firmware/a.bin", []byte("\x28\xB5\x2F\xFD")))
	assert.Equal(t, "other", kindOf("a.mo", []byte("\xDE\x12")))
	assert.True(t, isPlainText([]byte(strings.Repeat("text\f\n", 1000))))
	assert.False(t, isPlainText([]byte("text\x00text")))
	assert.True(t, wholeWords(append([]byte("\x7FELF\x01\x02"), make([]byte, 20)...)), "big-endian, machine 0")
	amd64 := append([]byte("\x7FELF\x02\x01"), make([]byte, 20)...)
	amd64[18] = 62
	assert.False(t, wholeWords(amd64))
}

// The injections are measured on images that pass with their own map.
func TestMeasure(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(1, 1)), 64<<10)
	m, err := mapFor(data)
	require.NoError(t, err)
	rep, err := examine(m, data)
	require.NoError(t, err)
	require.Equal(t, evidence.Pass, rep.Verdict, "%v %v", rep.Findings, rep.NotJudged)
	for _, name := range []string{"address-line-stuck", "truncated", "bit-flips"} {
		i := slices.IndexFunc(faults.Classes(), func(c faults.Class) bool { return c.Name == name })
		s, err := measure(faults.Classes()[i], []base{{name: "synth", data: data, m: m}}, 3, rand.New(rand.NewPCG(1, 2)), t.Logf)
		require.NoError(t, err)
		assert.Equal(t, 3, s.injected)
		assert.Equal(t, 3, s.failed, name)
	}
}

// The document holds the tables that this program writes, for every class.
func TestDocumentIsWhole(t *testing.T) {
	doc, err := os.ReadFile(filepath.Join("..", "..", "DETECTION.md"))
	require.NoError(t, err)
	for _, c := range faults.Classes() {
		row := regexp.MustCompile(`(?m)^\| ` + c.Name + ` \|( [\d.]+ \([\d.]+\) \|){6}$`)
		assert.Regexp(t, row, string(doc), "run the program anew")
	}
	for _, c := range faults.Classes() {
		if c.Group != "" {
			assert.Regexp(t, `(?m)^\| `+c.Group+` \|( [\d.]+ \|){4}$`, string(doc))
		}
	}
	for set, least := range map[string]int{"tuned": 1000, "held-out": 1000, "opened": 1000, "all but blind": 4000} {
		m := regexp.MustCompile(`(?m)^\| ` + set + ` \| (\d+) \| \d+ \| [\d.]+ %`).FindStringSubmatch(string(doc))
		require.NotNil(t, m, set)
		n, err := strconv.Atoi(m[1])
		require.NoError(t, err)
		assert.GreaterOrEqual(t, n, least, set)
	}
}

// The document says what the count of the blind files gave.
func TestBlindIsCounted(t *testing.T) {
	raw, err := os.ReadFile(filepath.Join("..", "..", "DETECTION.md"))
	require.NoError(t, err)
	_, rest, ok := strings.Cut(string(raw), "<!-- begin detection-blind -->\n")
	require.True(t, ok)
	table, _, ok := strings.Cut(rest, "<!-- end detection-blind -->")
	require.True(t, ok)
	for _, c := range faults.Classes() {
		assert.Regexp(t, `(?m)^\| `+c.Name+` \|( [\d.]+ \([\d.]+\) \|){4}$`, table)
	}
	m := regexp.MustCompile(`(?m)^\| blind \| (\d+) \| \d+ \| [\d.]+ %`).FindStringSubmatch(string(raw))
	require.NotNil(t, m)
	n, err := strconv.Atoi(m[1])
	require.NoError(t, err)
	assert.GreaterOrEqual(t, n, 1000)
}

// No package is on two lists.
func TestPackageLists(t *testing.T) {
	seen := map[string]bool{}
	for _, l := range lists {
		packages := strings.Fields(*l.packages)
		assert.GreaterOrEqual(t, len(packages), 70, l.name)
		for _, p := range packages {
			assert.Regexp(t, `^[a-z0-9][a-z0-9.+-]+$`, p)
			assert.False(t, seen[p], "%s is listed twice", p)
			seen[p] = true
		}
	}
}

func TestFlagsThatContradictEachOther(t *testing.T) {
	for want, o := range map[string]options{
		"-work":               {from: tuned, lists: tuned},
		`"other" is none`:     {work: "w", from: "other", lists: tuned},
		`"" is none`:          {work: "w", from: tuned, lists: "tuned,"},
		"leave out -class":    {work: "w", from: tuned, lists: tuned, class: "hole", write: "d"},
		"leave out -from":     {work: "w", from: blind, lists: tuned, write: "d"},
		"leave out -lists":    {work: "w", from: tuned, lists: "tuned,blind", write: "d"},
		"-write and -lists":   {work: "w", from: tuned, lists: blind, collect: true},
		"leave out -write an": {work: "w", from: tuned, lists: tuned, write: "d", collect: true},
	} {
		assert.ErrorContains(t, o.check(), want)
	}
	assert.NoError(t, options{work: "w", from: blind, lists: "held-out,opened"}.check())
}

// The blind files are examined only when asked for, and what the other lists
// hold too is known then.
func TestWhichFilesAreExamined(t *testing.T) {
	for _, c := range []struct {
		o                   options
		collected, examined []string
	}{
		{options{from: tuned, lists: tuned}, []string{tuned}, []string{tuned}},
		{options{from: tuned, lists: "tuned,held-out"}, []string{tuned, heldOut}, []string{tuned, heldOut}},
		{options{from: heldOut, lists: tuned}, []string{tuned, heldOut}, []string{tuned}},
		{options{from: blind, lists: tuned}, []string{tuned, heldOut, opened, blind}, []string{tuned}},
		{options{from: tuned, lists: opened}, []string{tuned, heldOut, opened}, []string{opened}},
		{options{from: tuned, lists: tuned, write: "d"}, []string{tuned, heldOut, opened, blind}, []string{tuned, heldOut, opened, blind}},
		{options{from: tuned, lists: tuned, collect: true}, []string{tuned, heldOut, opened, blind}, nil},
	} {
		var collected, examined []string
		for _, l := range lists {
			if ok, too := c.o.needed(l.name); ok {
				collected = append(collected, l.name)
				if too {
					examined = append(examined, l.name)
				}
			}
		}
		assert.Equal(t, c.collected, collected, "%+v", c.o)
		assert.Equal(t, c.examined, examined, "%+v", c.o)
	}
}

// A file counts once, for the first list that has it, and not below 4 KiB.
func TestCollect(t *testing.T) {
	work := t.TempDir()
	write := func(path string, data []byte) {
		path = filepath.Join(work, filepath.FromSlash(path))
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, data, 0o600))
	}
	a, b := bytes.Repeat([]byte("\x00\x01"), 4000), bytes.Repeat([]byte("\x00\x02"), 5000)
	write("root/p/usr/a.bin", a)
	write("root/p/usr/same", a)
	write("root/p/usr/small", a[:4000])
	write("root/p/usr/text", bytes.Repeat([]byte("text\n"), 1000))
	write("blind/q/lib/firmware/b", b)
	write("blind/q/usr/a.bin", a)
	seen, files := map[[32]byte]bool{}, map[string][]file{}
	var err error
	files[tuned], err = collect(work, "root", []string{"p"}, seen)
	require.NoError(t, err)
	files[blind], err = collect(work, "blind", []string{"q"}, seen)
	require.NoError(t, err)
	require.Len(t, files[tuned], 1)
	assert.Equal(t, file{"p/usr/a.bin", filepath.Join(work, "root", "p", "usr", "a.bin"), "firmware", 8000}, files[tuned][0])
	require.Len(t, files[blind], 1)
	assert.Equal(t, "q/lib/firmware/b", files[blind][0].name)
	assert.Regexp(t, `tuned: \d+ packages, 1 files, 0 MB\n  firmware         1 files     0 MB\nblind: \d+ packages, 1 files, 0 MB\n  firmware         1 files     0 MB\n$`, countFiles(files))
}

// A folder that is not there yet is made, and a package that could not be
// unpacked is not taken for one without files.
func TestFetch(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("stands in for the programs with shell scripts")
	}
	bin, work := t.TempDir(), t.TempDir()
	script := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(bin, name), []byte("#!/bin/sh\nset -e\n"+text), 0o755))
	}
	script("apt-get", `: >"${3}_1_all.deb"`)
	script("dpkg-deb", `mkdir "$3"; : >"$3/half"; exit 2`) // like the original it makes no parents
	t.Setenv("PATH", bin+string(os.PathListSeparator)+os.Getenv("PATH"))
	debs, dir := filepath.Join(work, "debs"), filepath.Join(work, "root", "p")
	require.ErrorContains(t, fetch(debs, dir, "p"), "dpkg-deb -x")
	assert.NoDirExists(t, dir)
	script("dpkg-deb", `mkdir "$3"; : >"$3/whole"`)
	require.NoError(t, fetch(debs, dir, "p"))
	assert.FileExists(t, filepath.Join(dir, "whole"))
	assert.NoFileExists(t, filepath.Join(dir, "half"))
}

// Images for injections come from the list that is asked for, the demo only
// beside the tuned files.
func TestImagesFromAnotherList(t *testing.T) {
	dir := t.TempDir()
	var files []file
	for i, machine := range []byte{4, 62} { // 68000 and x86-64
		r := rand.New(rand.NewPCG(2, uint64(i)))
		values, data := r.Perm(256)[:100], make([]byte, 64<<10) // 6.6 bits a byte, as code has
		for i := range data {
			data[i] = byte(values[r.IntN(len(values))])
		}
		copy(data, "\x7FELF\x01\x02\x01")
		data[18], data[19] = 0, machine
		path := filepath.Join(dir, strconv.Itoa(i))
		require.NoError(t, os.WriteFile(path, data, 0o600))
		files = append(files, file{path, path, "ELF", len(data)})
	}
	o := options{each: 2, seed: 1, class: "address-line-stuck"}
	got, err := surveyDetection(o, blind, files, t.Logf)
	require.NoError(t, err)
	assert.Contains(t, got, "images cut from the blind files")
	assert.Contains(t, got, "1 of them x86 programs. 0 more cuts")
	assert.Contains(t, got, "| fault injected | words, no map | other, no map | words, map | other, map |\n| --- | ---: | ---: | ---: | ---: |\n"+
		"| address-line-stuck | 100.0 (100.0) | 100.0 (100.0) | 100.0 (100.0) | 100.0 (100.0) |\n")
	assert.Contains(t, got, "| fault | words | other | all |\n| --- | ---: | ---: | ---: |\n| address lines | 100.0 | 100.0 | 100.0 |\n")
	assert.NotContains(t, got, "demo")
	got, err = surveyDetection(o, tuned, files, t.Logf)
	require.NoError(t, err)
	assert.Contains(t, got, "| words, no map | other, no map | demo, no map | words, map | other, map | demo, map |")
	_, err = surveyDetection(o, blind, files[:1], t.Logf)
	require.ErrorContains(t, err, `no blind file makes an image of the set "other"`)
}

// Groups add up what their classes found, set by set.
func TestGroupScores(t *testing.T) {
	classes := []faults.Class{{Group: "lines"}, {}, {Group: "blocks"}, {Group: "lines"}}
	scores := []score{{10, 9, 8, 7, 6}, {10, 1, 1, 1, 1}, {5, 5, 5, 5, 5}, {5, 0, 0, 0, 0}, {4, 3, 2, 1, 0}, {4, 4, 4, 4, 4}, {10, 10, 9, 8, 7}, {10, 2, 2, 2, 2}}
	assert.Equal(t, []groupScore{
		{"lines", []score{{20, 19, 17, 15, 13}, {20, 3, 3, 3, 3}}},
		{"blocks", []score{{4, 3, 2, 1, 0}, {4, 4, 4, 4, 4}}},
	}, groupScores(classes, scores, 2))
}

func TestBaseSizes(t *testing.T) {
	for size, want := range map[int][]int{
		64 << 10: {64 << 10}, 127 << 10: {64 << 10}, 128 << 10: {128 << 10}, 255 << 10: {128 << 10},
		256 << 10: {128 << 10, 256 << 10}, 5 << 20: {128 << 10, 256 << 10},
	} {
		assert.Equal(t, want, baseSizes(size), "%d", size)
	}
}

// Both sets are counted, alone and together, and the blind one on its own.
func TestAlarms(t *testing.T) {
	dir := t.TempDir()
	good := faults.Synth(rand.New(rand.NewPCG(1, 1)), 64<<10)
	bad := make([]byte, len(good))
	for i := range bad {
		bad[i] = good[i&^0x400]
	}
	sets := []fileSet{{name: tuned}, {name: heldOut}, {name: blind}}
	for i, data := range [][]byte{good, bad, good[:50001], bad} {
		path := filepath.Join(dir, string(rune('a'+i)))
		require.NoError(t, os.WriteFile(path, data, 0o600))
		set := &sets[[]int{0, 1, 1, 2}[i]]
		set.files = append(set.files, file{name: path, path: path, kind: "firmware", size: len(data)})
	}
	got, err := surveyAlarms(sets, t.Logf)
	require.NoError(t, err)
	for _, row := range []string{
		"| tuned | 1 | 0 | 0.00 % | 0 | 0 | 0.00 % | 0 | 0.00 % |", "| held-out | 2 | 2 | 100.00 % | 1 | 1 | 50.00 % | 1 | 50.00 % |", "| all but blind | 3 | 2 | 66.67 % | 1 | 1 | 33.33 % | 1 | 33.33 % |", "| blind | 1 | 1 | 100.00 % | 0 | 1 | 100.00 % | 1 | 100.00 % |",
		"| firmware | 1 | 0 | 0.00 % | 2 | 2 | 100.00 % | 1 | 1 | 100.00 % |", "| all but other | 1 | 0 | 0.00 % | 2 | 2 | 100.00 % | 1 | 1 | 100.00 % |", "| `address-line-stuck` | 0 | 0 | 0 | 1 | 0 | 0 | 1 | 0 | 0 |",
	} {
		assert.Contains(t, got, row+"\n")
	}
	one, err := surveyAlarms([]fileSet{{name: tuned, files: sets[0].files}, {name: blind, files: sets[2].files}}, t.Logf)
	require.NoError(t, err)
	assert.NotContains(t, one, "| all but blind |", "one list alone")
	apart := sets[1].files[0]
	apart.kind = kindOther
	one, err = surveyAlarms([]fileSet{{name: tuned, files: []file{sets[0].files[0], apart}}}, t.Logf)
	require.NoError(t, err)
	assert.Contains(t, one, "| other | 1 | 1 | 100.00 % |\n| all but other | 1 | 0 | 0.00 % |\n")
	sets[0].files[0].path += "-gone"
	_, err = surveyAlarms(sets, t.Logf)
	require.ErrorContains(t, err, "gone")
}
