package main

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
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
		s, err := measure(faults.Classes()[i], []base{{"synth", data, m}}, 3, rand.New(rand.NewPCG(1, 2)), t.Logf)
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
	for set, least := range map[string]int{"tuned": 1000, "held-out": 1000, "both": 2000} {
		m := regexp.MustCompile(`(?m)^\| ` + set + ` \| (\d+) \| \d+ \| [\d.]+ %`).FindStringSubmatch(string(doc))
		require.NotNil(t, m, set)
		n, err := strconv.Atoi(m[1])
		require.NoError(t, err)
		assert.GreaterOrEqual(t, n, least, set)
	}
}

// No package is on both lists.
func TestPackageLists(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range append(strings.Fields(packageList), strings.Fields(heldOutList)...) {
		assert.Regexp(t, `^[a-z0-9][a-z0-9.+-]+$`, p)
		assert.False(t, seen[p], "%s is listed twice", p)
		seen[p] = true
	}
}

func TestBaseSizes(t *testing.T) {
	for size, want := range map[int][]int{
		64 << 10: {64 << 10}, 127 << 10: {64 << 10}, 128 << 10: {128 << 10}, 255 << 10: {128 << 10},
		256 << 10: {128 << 10, 256 << 10}, 5 << 20: {128 << 10, 256 << 10},
	} {
		assert.Equal(t, want, baseSizes(size), "%d", size)
	}
}

// Both sets are counted, alone and together.
func TestAlarms(t *testing.T) {
	dir := t.TempDir()
	good := faults.Synth(rand.New(rand.NewPCG(1, 1)), 64<<10)
	bad := make([]byte, len(good))
	for i := range bad {
		bad[i] = good[i&^0x400]
	}
	sets := []fileSet{{name: "tuned"}, {name: "held-out"}}
	for i, data := range [][]byte{good, bad, good[:50001]} {
		path := filepath.Join(dir, string(rune('a'+i)))
		require.NoError(t, os.WriteFile(path, data, 0o600))
		set := &sets[min(i, 1)]
		set.files = append(set.files, file{name: path, path: path, kind: "firmware", size: len(data)})
	}
	got, err := surveyAlarms(sets, t.Logf)
	require.NoError(t, err)
	for _, row := range []string{
		"| tuned | 1 | 0 | 0.00 % | 0 | 0 | 0.00 % | 0 | 0.00 % |", "| held-out | 2 | 2 | 100.00 % | 1 | 1 | 50.00 % | 1 | 50.00 % |", "| both | 3 | 2 | 66.67 % | 1 | 1 | 33.33 % | 1 | 33.33 % |",
		"| firmware | 1 | 0 | 0.00 % | 2 | 2 | 100.00 % |", "| `address-line-stuck` | 0 | 0 | 0 | 1 | 0 | 0 |",
	} {
		assert.Contains(t, got, row+"\n")
	}
	sets[0].files[0].path += "-gone"
	_, err = surveyAlarms(sets, t.Logf)
	require.ErrorContains(t, err, "gone")
}
