package bagit_test

import (
	"archive/tar"
	"compress/gzip"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive/bagit"
)

// suite reads the conformance suite: bags by their place in it, such as
// "v0.97/valid/basic-bag".
func suite(t testing.TB) map[string]fstest.MapFS {
	t.Helper()
	f, err := os.Open("../testdata/bagit-conformance.tar.gz")
	require.NoError(t, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	bags := map[string]fstest.MapFS{}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return bags
		}
		require.NoError(t, err)
		parts := strings.SplitN(strings.TrimPrefix(h.Name, "./"), "/", 4)
		if len(parts) < 4 || parts[3] == "" || h.Typeflag != tar.TypeReg {
			continue
		}
		data, err := io.ReadAll(r)
		require.NoError(t, err)
		bag := strings.Join(parts[:3], "/")
		if bags[bag] == nil {
			bags[bag] = fstest.MapFS{}
		}
		bags[bag][parts[3]] = &fstest.MapFile{Data: data, Mode: 0o644}
	}
}

// incompleteAsShipped are bags of the suite's folder "warning" whose archive
// does not hold a file that their manifest lists: one file system could not
// hold both, or the file was left out as an operating system's own. A
// validator that sees names as they are must call them incomplete.
var incompleteAsShipped = []string{
	"v0.97/warning/duplicate-file-with-different-case",
	"v0.97/warning/special-system-files",
}

// TestConformanceSuite compares our verdicts with those of the Library of
// Congress BagIt conformance suite (public domain, see
// ../testdata/README.md): its folders valid, invalid, warning, and the bags
// that are invalid on one operating system and are so for us on every one.
func TestConformanceSuite(t *testing.T) {
	counts := map[string]int{}
	for name, bag := range suite(t) {
		t.Run(name, func(t *testing.T) {
			report, err := bagit.Validate(context.Background(), bag, bagit.Options{})
			require.NoError(t, err)
			class := strings.Split(name, "/")[1]
			counts[class]++
			switch class {
			case "valid":
				assert.True(t, report.Conforms(), "%v", report.Problems)
			case "invalid", "windows-only", "linux-only":
				assert.False(t, report.Conforms())
			case "warning":
				assert.False(t, report.Accepted(), "no warning")
				assert.Equal(t, !slices.Contains(incompleteAsShipped, name), report.Conforms(), "%v", report.Problems)
			}
		})
	}
	t.Logf("agreed with the suite on %v", counts)
	assert.Equal(t, map[string]int{"valid": 27, "invalid": 15, "warning": 6, "windows-only": 6, "linux-only": 6}, counts)
}

// TestEachDefectIsNamed checks that a bag of the suite is refused for the
// defect it was made for, not for something else by chance.
func TestEachDefectIsNamed(t *testing.T) {
	bags := suite(t)
	for name, want := range map[string]string{
		"v0.97/invalid/baginfo-missing-encoding":                                "bad-declaration",
		"v0.97/invalid/bom-in-bagit.txt":                                        "bad-declaration",
		"v0.97/invalid/corrupt-data-file":                                       "hash-mismatch",
		"v0.97/invalid/corrupt-tag-file":                                        "hash-mismatch",
		"v0.97/invalid/extra-file-in-bag":                                       "payload-unlisted",
		"v0.97/invalid/invalid-version-number":                                  "bad-declaration",
		"v0.97/invalid/missing-baginfo":                                         "file-missing",
		"v0.97/invalid/missing-bagit.txt":                                       "no-declaration",
		"v0.97/invalid/out-of-scope-file-paths-using-dot-notation":              "path-outside",
		"v0.97/invalid/out-of-scope-file-paths-using-dot-notation-for-fetch":    "path-outside",
		"v0.97/invalid/same-filename-listed-twice-with-different-hashes":        "listed-twice",
		"v1.0/invalid/bagit-with-invalid-whitespace":                            "bad-declaration",
		"v1.0/invalid/notAllManifestsListAllFiles":                              "payload-unlisted",
		"v1.0/invalid/same-filename-listed-twice-with-the-same-hash":            "listed-twice",
		"v0.97/windows-only/out-of-scope-file-paths-using-unc":                  "path-outside",
		"v0.97/windows-only/out-of-scope-file-paths-using-absolute-path":        "path-outside",
		"v0.97/linux-only/out-of-scope-file-paths-using-absolute-path":          "path-outside",
		"v0.97/linux-only/out-of-scope-file-paths-using-shortcut":               "path-outside",
		"v0.97/warning/duplicate-file-with-different-case":                      "name-collision",
		"v0.97/warning/made-with-md5sum-tools":                                  "binary-mark",
		"v0.97/warning/relative-path":                                           "dot-path",
		"v0.97/warning/same-filename-listed-twice-with-different-normalization": "name-collision",
		"v0.97/warning/same-filename-listed-twice-with-the-same-hash":           "listed-twice",
	} {
		report, err := bagit.Validate(context.Background(), bags[name], bagit.Options{})
		require.NoError(t, err, name)
		assert.Contains(t, codes(report), want, "%s: %v", name, report.Problems)
	}
}

// TestStricterThanTheSuite pins what our stricter rules say about the bags the
// suite calls valid, so that a rule cannot come or go unnoticed.
func TestStricterThanTheSuite(t *testing.T) {
	got := map[string]int{}
	for name, bag := range suite(t) {
		if !strings.Contains(name, "/valid/") {
			continue
		}
		report, err := bagit.Validate(context.Background(), bag, bagit.Options{})
		require.NoError(t, err)
		assert.False(t, report.Accepted(), name) // none has both SHA-256 and SHA-512
		for _, code := range slices.Compact(slices.Sorted(slices.Values(codes(report)))) {
			got[code]++
		}
	}
	assert.Equal(t, map[string]int{
		"declaration-not-canonical": 26, // an older BagIt version, another encoding or CR LF
		"manifest-missing":          27, // no SHA-256 and SHA-512 of payload and tag files
		"manifest-not-canonical":    26,
		"no-oxum":                   19,
		"no-bag-info":               1,
		"tag-file-unlisted":         2,
		"dot-path":                  2,
		"fetch":                     2,
		"percent":                   2,
		"unsafe-name":               2, // payload names with %
	}, got)
}

func codes(r *bagit.Report) []string {
	var out []string
	for _, p := range r.Problems {
		out = append(out, p.Code)
	}
	return out
}

// TestStricterRulesAreArgued: FORMAT.md argues each rule that is stricter than
// BagIt, and no rule that is not there.
func TestStricterRulesAreArgued(t *testing.T) {
	sources, err := filepath.Glob("*.go")
	require.NoError(t, err)
	var code []byte
	for _, file := range sources {
		if !strings.HasSuffix(file, "_test.go") {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			code = append(code, text...)
		}
	}
	text, err := os.ReadFile("../FORMAT.md")
	require.NoError(t, err)
	_, table, ok := strings.Cut(string(text), "## Where our validator is stricter than BagIt")
	require.True(t, ok)
	table, _, _ = strings.Cut(table, "\nOf the suite")
	have, want := map[string]bool{}, map[string]bool{}
	for _, m := range regexp.MustCompile(`v\.(?:strict|add)\((?:v\.report\.Version != "1\.0", )?"([a-z-]+)"`).FindAllStringSubmatch(string(code), -1) {
		want[m[1]] = true
	}
	for line := range strings.Lines(table) {
		first, _, _ := strings.Cut(strings.TrimPrefix(line, "| "), "|")
		for _, m := range regexp.MustCompile("`([a-z-]+)`").FindAllStringSubmatch(first, -1) {
			have[m[1]] = true
		}
	}
	assert.Equal(t, want, have)
}
