//go:build !purego

package fold

import (
	"encoding/binary"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What Linux tells each program about the processor is the outside reference
// for which engines there must be. Without this test, an engine that is never
// detected would never be missed.
func TestEnginesOfThisProcessor(t *testing.T) {
	const hwcap, pmull = 16, 1 << 4 // AT_HWCAP in getauxval(3), HWCAP_PMULL in Linux's arm64 elf_hwcaps document
	auxv, err := os.ReadFile("/proc/self/auxv")
	require.NoError(t, err)
	want := []string{Generic}
	for ; len(auxv) >= 16; auxv = auxv[16:] {
		if binary.LittleEndian.Uint64(auxv) == hwcap && binary.LittleEndian.Uint64(auxv[8:])&pmull != 0 {
			want = []string{CLMul128, Generic}
		}
	}
	assert.Equal(t, want, Engines())
}
