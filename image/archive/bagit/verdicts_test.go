package bagit_test

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive/bagit"
)

// verdictsFile lists, for each bag of the conformance suite, what the suite says
// of it and what we say, and by which rules. CALPROOF_UPDATE=1 writes it anew.
const verdictsFile = "../testdata/bagit-verdicts.txt"

// verdicts writes the list.
func verdicts(t testing.TB) []byte {
	t.Helper()
	var out bytes.Buffer
	fmt.Fprint(&out, `# The bags of bagit-conformance.tar.gz: the suite's verdict (its folder), then ours
# by BagIt with the rules that are broken, then the rules of ours beyond BagIt
# that it breaks too. FORMAT.md argues each of the latter.
`)
	bags := suite(t)
	for _, name := range slices.Sorted(maps.Keys(bags)) {
		report, err := bagit.Validate(context.Background(), bags[name], bagit.Options{})
		require.NoError(t, err)
		broken, strict := map[string]bool{}, map[string]bool{}
		for _, p := range report.Problems {
			if p.Stricter {
				strict[p.Code] = true
			} else {
				broken[p.Code] = true
			}
		}
		by := func(codes map[string]bool) string { return strings.Join(slices.Sorted(maps.Keys(codes)), " ") }
		ours := "valid"
		if !report.Conforms() {
			ours = "invalid: " + by(broken)
		}
		fmt.Fprintf(&out, "\n%s\n  suite  %s\n  BagIt  %s\n  ours   %s\n", name, strings.Split(name, "/")[1], ours, by(strict))
	}
	return out.Bytes()
}

// TestVerdictOnEveryBag compares our verdict on each of the 60 bags with the
// list, so that none can change unnoticed.
func TestVerdictOnEveryBag(t *testing.T) {
	got := verdicts(t)
	if os.Getenv("CALPROOF_UPDATE") == "1" {
		require.NoError(t, os.WriteFile(verdictsFile, got, 0o666))
	}
	want, err := os.ReadFile(verdictsFile)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got))
	assert.Len(t, regexp.MustCompile(`(?m)^  suite  `).FindAll(want, -1), 60)
}

// TestEachStricterPlaceIsArgued: every rule beyond BagIt that a bag of the suite
// breaks is argued in FORMAT.md, and so is each bag whose verdict by BagIt is not
// the suite's.
func TestEachStricterPlaceIsArgued(t *testing.T) {
	text, err := os.ReadFile("../FORMAT.md")
	require.NoError(t, err)
	_, argued, ok := strings.Cut(string(text), "## Where our validator is stricter than BagIt")
	require.True(t, ok)
	argued, _, _ = strings.Cut(argued, "\n## ")
	for name, bag := range suite(t) {
		report, err := bagit.Validate(context.Background(), bag, bagit.Options{})
		require.NoError(t, err)
		for _, p := range report.Problems {
			if p.Stricter {
				assert.Contains(t, argued, "`"+p.Code+"`", name)
			}
		}
		class := strings.Split(name, "/")[1]
		if (class == "valid" || class == "warning") != report.Conforms() && !strings.HasSuffix(class, "-only") {
			assert.Contains(t, argued, "`"+name[strings.LastIndex(name, "/")+1:]+"`", "another verdict than the suite's is not argued")
		}
		assert.False(t, report.Accepted(), "%s: none of the suite's bags is one of ours", name)
	}
}
