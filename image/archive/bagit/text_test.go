package bagit_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/imagetest"
)

// TestInfoSurvivesFolding: what FormatInfo writes, ParseInfo reads, whatever
// the values; no line is longer than RFC 8493 section 2.2.2 recommends, unless
// a single word is.
func TestInfoSurvivesFolding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var fields bagit.Fields
		for range rapid.IntRange(0, 5).Draw(t, "n") {
			label := rapid.StringMatching(`[A-Za-z][A-Za-z0-9-]{0,30}`).Draw(t, "label")
			value := bagit.Squeeze(rapid.String().Draw(t, "value") + " " + rapid.StringMatching(`([a-z:]{1,20} ){0,20}`).Draw(t, "words"))
			if value != "" {
				fields = append(fields, bagit.Field{Label: label, Value: value})
			}
		}
		data, err := bagit.FormatInfo(fields)
		if err != nil {
			t.Fatal(err)
		}
		back, err := bagit.ParseInfo(data)
		if err != nil {
			t.Fatal(err)
		}
		if len(fields) > 0 || len(back) > 0 {
			assert.Equal(t, fields, back)
		}
		for line := range strings.SplitSeq(string(data), "\n") {
			if len(line) > 79 && strings.Count(strings.TrimSpace(line), " ") > 1 {
				t.Fatalf("line of %d bytes: %q", len(line), line)
			}
		}
	})
}

func TestInfoRefusesWhatWouldChange(t *testing.T) {
	for _, f := range []bagit.Field{{"", "x"}, {"A B", "x"}, {"A:", "x"}, {"Ä", "x"}, {"A", ""}, {"A", " x"}, {"A", "x\ny"}, {"A", "x  y"}, {"A", "x\u202Ey"}, {"A", "\xff"}} {
		_, err := bagit.FormatInfo(bagit.Fields{f})
		assert.Error(t, err, "%q", f)
	}
	for _, text := range []string{" goes on\n", "no colon\n", ": no label\n"} {
		_, err := bagit.ParseInfo([]byte(text))
		assert.ErrorContains(t, err, "line 1", text)
	}
}

// TestManifestFormIsSha256sums compares our manifest with what sha256sum
// prints of the same files.
func TestManifestFormIsSha256sums(t *testing.T) {
	tool := imagetest.Tool(t, "sha256sum")
	dir := t.TempDir()
	var paths []string
	for _, name := range []string{"b", "a b", "ä"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(name), 0o600))
	}
	paths = []string{"a b", "b", "ä"} // sorted by bytes
	cmd := exec.Command(tool, paths...)
	cmd.Dir = dir
	want, err := cmd.Output()
	require.NoError(t, err)
	lines, err := bagit.ParseManifest(want, 32)
	require.NoError(t, err)
	require.Len(t, lines, 3)
	assert.Equal(t, "a b", lines[0].Path)
	assert.Equal(t, string(want), string(bagit.FormatManifest([]bagit.Line{lines[2], lines[0], lines[1]})))
}

func TestManifestMistakes(t *testing.T) {
	sum := strings.Repeat("0a", 32)
	for text, want := range map[string]string{
		sum:                                    "line 1 holds no space",
		"\n" + sum[2:] + "  data/x":            "line 2 does not begin with 64 hexadecimal digits",
		"zz" + sum[2:] + "  data/x":            "line 1 does not begin with 64 hexadecimal digits",
		sum + "  " + strings.Repeat("x", 9000): "line 1 has 9066 bytes",
	} {
		_, err := bagit.ParseManifest([]byte(text), 32)
		assert.ErrorContains(t, err, want)
	}
	lines, err := bagit.ParseManifest([]byte(sum+"\t *data/x y \r"+sum+" data/z\r\n\n"), 32)
	require.NoError(t, err)
	require.Len(t, lines, 2)
	assert.Equal(t, "*data/x y ", lines[0].Path)
	assert.Equal(t, 2, lines[1].Number)
}

func TestNames(t *testing.T) {
	for _, good := range []string{"backup.bin", "a", "Núñez", "console.txt", "com", "com10", "lpt", "nul-1", ".hidden", "雪.bin", "a b", "comlpt1"} {
		assert.NoError(t, bagit.CheckElement(good), good)
		assert.Equal(t, good, bagit.SafeElement(good, "fallback"))
	}
	for _, bad := range []string{"", ".", "..", "con", "CON.txt", "Com1", "LPT9.bin", "com¹", "nul .x", "conin$", "a.", "a ", " a", "a/b", `a\b`, "a:b", "a%20", "a\n", "a\r", "a\x00", "a*", "a?", `a"`, "a<", "a|", "\xff", "Nu\u0301", "a\u200Bb", "a\u202Eb", "a\u00A0b", strings.Repeat("x", 101)} {
		assert.Error(t, bagit.CheckElement(bad), "%q", bad)
		assert.NoError(t, bagit.CheckElement(bagit.SafeElement(bad, "fallback")), "%q", bad)
	}
	assert.Error(t, bagit.CheckPath("a/../b"))
	assert.Error(t, bagit.CheckPath("/a"))
	assert.Error(t, bagit.CheckPath("a//b"))
	assert.Error(t, bagit.CheckPath(strings.Repeat("abcdefghi/", 20)+"x"))
	assert.Equal(t, strings.Repeat("x", 95)+".bin", bagit.SafeElement(strings.Repeat("x", 300)+".bin", ""))
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name")
		safe := bagit.SafeElement(name, "fallback")
		if err := bagit.CheckElement(safe); err != nil {
			t.Fatal(err)
		}
		if again := bagit.SafeElement(safe, "fallback"); again != safe {
			t.Fatalf("%q becomes %q becomes %q", name, safe, again)
		}
	})
}

func TestCollisionKey(t *testing.T) {
	for _, same := range [][2]string{{"A.txt", "a.TXT"}, {"Nu\u0301n\u0303ez", "N\u00FA\u00F1ez"}, {"STRASSE", "straße"}, {"ΣΑΣ", "σας"}} {
		assert.Equal(t, bagit.CollisionKey(same[0]), bagit.CollisionKey(same[1]))
	}
	assert.NotEqual(t, bagit.CollisionKey("a"), bagit.CollisionKey("b"))
}

func FuzzParseManifest(f *testing.F) {
	for _, bag := range suite(f) {
		for name, file := range bag {
			if strings.Contains(name, "manifest-") {
				f.Add(file.Data)
			}
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, size := range []int{16, 32, 64} {
			lines, err := bagit.ParseManifest(data, size)
			if err != nil {
				continue
			}
			for i := range lines {
				if strings.ContainsAny(lines[i].Path, "\r\n") || len(lines[i].Sum) != size {
					t.Fatalf("%+v", lines[i])
				}
			}
			again, err := bagit.ParseManifest(bagit.FormatManifest(lines), size)
			if err != nil || len(again) != len(lines) {
				// A path with leading blanks cannot come from ParseManifest, so
				// what it gave must read back.
				t.Fatalf("%d lines, then %d, %v", len(lines), len(again), err)
			}
		}
	})
}

func FuzzParseInfo(f *testing.F) {
	for _, bag := range suite(f) {
		if file := bag["bag-info.txt"]; file != nil {
			f.Add(file.Data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		fields, err := bagit.ParseInfo(data)
		if err != nil {
			return
		}
		for i := range fields {
			fields[i].Value = bagit.Squeeze(fields[i].Value)
		}
		text, err := bagit.FormatInfo(fields)
		if err != nil {
			return // labels and empty values that we do not write
		}
		again, err := bagit.ParseInfo(text)
		if err != nil || len(again) != len(fields) {
			t.Fatalf("%q, then %q, %v", fields, again, err)
		}
		for i := range again {
			if again[i] != fields[i] {
				t.Fatalf("%q, then %q", fields[i], again[i])
			}
		}
	})
}

// TestFuzzSeeds proves that the seeds are there and are what they should be.
func TestFuzzSeeds(t *testing.T) {
	manifests, infos := 0, 0
	for _, bag := range suite(t) {
		for name, file := range bag {
			if strings.HasPrefix(name, "manifest-") && bytes.Contains(file.Data, []byte("data/")) {
				manifests++
			}
		}
		if bag["bag-info.txt"] != nil {
			infos++
		}
	}
	assert.Greater(t, manifests, 40)
	assert.Greater(t, infos, 40)
}
