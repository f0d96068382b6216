//go:build !purego

package fold

import (
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Linux's own list of processor features is the outside reference for which
// engines there must be. Without this test, an engine that is never detected
// would never be missed.
func TestEnginesOfThisProcessor(t *testing.T) {
	if strings.Contains(os.Getenv("GODEBUG"), "cpu.") {
		t.Skip("GODEBUG switches processor features off")
	}
	cpuinfo, err := os.ReadFile("/proc/cpuinfo")
	require.NoError(t, err)
	_, flags, found := strings.Cut(string(cpuinfo), "\nflags")
	require.True(t, found)
	flags, _, _ = strings.Cut(flags, "\n")
	features := strings.Fields(flags)

	want := []string{Generic}
	for _, e := range []struct{ name, needs string }{
		{CLMul128, "pclmulqdq ssse3"},
		{CLMul256, "vpclmulqdq avx2"},
		{CLMul512, "vpclmulqdq avx2 gfni avx512f avx512vl"},
	} {
		missing := func(f string) bool { return !slices.Contains(features, f) }
		if !slices.ContainsFunc(strings.Fields(e.needs), missing) {
			want = append([]string{e.name}, want...)
		}
	}
	assert.Equal(t, want, Engines())
}
