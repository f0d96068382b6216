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
	for seed := range uint64(20) {
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
	const each = 40
	least := map[string]int{ // of 40
		"address-line-stuck": each, "address-line-stuck-part": 38, "address-lines-shorted": each,
		"data-line-stuck": 39, "data-lines-shorted": each, "block-repeated": 38, "truncated-padded": 38,
		"block-repeated-small": 38, "block-repeated-once": 36, "truncated": 38,
	}
	for i, class := range faults.Classes() {
		want, ok := least[class.Name]
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
			assert.GreaterOrEqual(t, found, want)
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
	copy(data[0xC000:], bytes.Repeat(data[0xBF00:0xC000], 5))
	want := examineBytes(t, data)
	require.Greater(t, len(want.Findings), 3)
	for range 20 {
		require.Equal(t, want, examineBytes(t, data))
	}
}
