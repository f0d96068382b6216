package readcheck

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
)

func imageOf(t testing.TB, data []byte) *image.Image {
	t.Helper()
	im, err := image.FromSegments(image.Segment{Data: data})
	require.NoError(t, err)
	return im
}

func alarms(rep *Report) (list []evidence.Finding) {
	for _, f := range rep.Findings {
		if f.Severity != evidence.Note {
			list = append(list, f)
		}
	}
	return list
}

// named reports whether an alarm of rep names the fault of class.
func named(rep *Report, class faults.Class) bool {
	return slices.ContainsFunc(alarms(rep), func(f evidence.Finding) bool { return slices.Contains(class.Codes, f.Code) })
}

func TestHealthyImagesRaiseNothing(t *testing.T) {
	seeds := uint64(20)
	if testing.Short() {
		seeds = 4
	}
	for seed := range seeds {
		data := faults.Synth(rand.New(rand.NewPCG(seed, 1)), 128<<10)
		rep, err := Examine(nil, imageOf(t, data))
		require.NoError(t, err)
		assert.Empty(t, alarms(rep), "seed %d", seed)
		assert.Equal(t, evidence.Unproven, rep.Verdict, "no map, so nothing is proved")
		assert.NotEmpty(t, rep.NotJudged)
	}
}

// The rates are those that DETECTION.md promises; the survey measures them on
// real binaries too.
func TestInjectedFaultsAreFoundWithoutMap(t *testing.T) {
	each := 20
	misses := map[string]int{ // of 20 at most
		"address-line-stuck": 0, "address-line-stuck-part": 1, "address-lines-shorted": 0,
		"data-line-stuck": 1, "data-lines-shorted": 0, "block-repeated": 1, "truncated-padded": 1,
		"block-repeated-small": 1, "block-repeated-once": 2, "truncated": 2,
	}
	if testing.Short() {
		each = 4
	}
	for i, class := range faults.Classes() {
		most, ok := misses[class.Name]
		if !ok {
			continue
		}
		t.Run(class.Name, func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(7, uint64(i)))
			found := 0
			for range each {
				bad, how, ok := faults.Inject(class, r, faults.Synth(r, 64<<10))
				require.True(t, ok)
				rep, err := Examine(nil, imageOf(t, bad))
				require.NoError(t, err)
				if named(rep, class) {
					found++
				} else {
					t.Logf("missed: %s", how)
				}
			}
			assert.GreaterOrEqual(t, found, each-most)
		})
	}
}

// Checks run side by side; what they say does not depend on which ends first.
func TestReportsAreRepeatable(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 1))
	data := faults.Synth(r, 64<<10)
	for i := range data {
		data[i] = data[i&^0x40] &^ 4
	}
	copy(data[0x8000:], bytes.Repeat(data[0x7F00:0x8000], 4))
	want := examineBytes(t, data)
	require.GreaterOrEqual(t, len(want.Findings), 3)
	for range 20 {
		require.Equal(t, want, examineBytes(t, data))
	}
}
