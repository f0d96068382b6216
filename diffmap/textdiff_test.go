package diffmap

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image/imagetest"
)

func TestDiffTextGolden(t *testing.T) {
	a := "one\ntwo\nthree\nfour\nfive\nsix\nseven\neight\nnine\nten\neleven\ntwelve\n"
	b := "one\nTWO\nthree\nfour\nfive\nsix\nseven\neight\nnine\nten\neleven\nthirteen"
	want := `--- a.txt
+++ b.txt
@@ -1,5 +1,5 @@
 one
-two
+TWO
 three
 four
 five
@@ -9,4 +9,4 @@
 nine
 ten
 eleven
-twelve
+thirteen
\ No newline at end of file
`
	assert.Equal(t, want, DiffText("a.txt", a, "b.txt", b))
	assert.Empty(t, DiffText("a", a, "b", a))
	// An empty side is numbered 0, as GNU diff -u does.
	assert.Equal(t, "--- a\n+++ b\n@@ -0,0 +1,1 @@\n+x\n", DiffText("a", "", "b", "x\n"))
	assert.Equal(t, "--- a\n+++ b\n@@ -1,1 +0,0 @@\n-x\n", DiffText("a", "x\n", "b", ""))
}

func textGen() *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		lines := rapid.SliceOfN(rapid.SampledFrom([]string{"a", "b", "c", "", "- d", "@@ e"}), 0, 40).Draw(t, "lines")
		s := strings.Join(lines, "\n")
		if rapid.Bool().Draw(t, "newline") && s != "" {
			s += "\n"
		}
		return s
	})
}

// Every line of a is in the diff as ' ' or '-', every line of b as ' ' or '+'.
func TestLineDiffKeepsBothTexts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := textGen().Draw(t, "a"), textGen().Draw(t, "b")
		var gotA, gotB strings.Builder
		for _, l := range lineDiff(a, b) {
			if l.op != '+' {
				gotA.WriteString(l.text)
			}
			if l.op != '-' {
				gotB.WriteString(l.text)
			}
		}
		require.Equal(t, a, gotA.String())
		require.Equal(t, b, gotB.String())
	})
}

func TestLineRunes(t *testing.T) {
	for _, i := range []int{0, 1, 0xD7FE, 0xD7FF, 0xD800, 0xF7FB, 0xF7FC, 0xF7FD, maxLines - 1} {
		r := lineRune(i)
		assert.Equal(t, string(r), string([]rune(string(r))), "index %d", i)
		assert.NotEqual(t, "\uFFFD", string(r), "index %d", i)
		assert.Equal(t, i, lineIndex([]rune(string(r))[0]), "index %d", i)
	}
}

// GNU patch turns a into b with our diff.
func TestDiffTextFeedsPatch(t *testing.T) {
	patch := imagetest.Tool(t, "patch")
	dir := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		a, b := textGen().Draw(t, "a"), textGen().Draw(t, "b")
		diff := DiffText("a", a, "b", b)
		if a == b {
			require.Empty(t, diff)
			return
		}
		in, out := filepath.Join(dir, "in"), filepath.Join(dir, "out")
		require.NoError(t, os.WriteFile(in, []byte(a), 0o666))
		cmd := exec.Command(patch, "-s", "--posix", "-o", out, in)
		cmd.Stdin = strings.NewReader(diff)
		msg, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s\n%s", msg, diff)
		got, err := os.ReadFile(out)
		require.NoError(t, err)
		require.Equal(t, b, string(got), "%s", diff)
	})
}
