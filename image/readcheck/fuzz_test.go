package readcheck

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
)

// fuzzSeeds are small images of every fault class.
func fuzzSeeds(t testing.TB) [][]byte {
	r := rand.New(rand.NewPCG(31, 1))
	good := faults.Synth(r, 16<<10)
	seeds := [][]byte{{}, {0xFF}, good}
	for _, c := range faults.Classes() {
		bad, _, ok := faults.Inject(c, r, good)
		require.True(t, ok, c.Name)
		seeds = append(seeds, bad)
	}
	return seeds
}

// FuzzExamine proves that no image makes the checks panic, that findings lie
// inside the image, and that nothing is ever proved without a map.
func FuzzExamine(f *testing.F) {
	for _, s := range fuzzSeeds(f) {
		f.Add(s, uint64(0))
	}
	f.Add([]byte("$ login:\r\n$ x\r\n"), uint64(0xFFFFFFFFFFFFFF00))
	f.Fuzz(func(t *testing.T, data []byte, start uint64) {
		if len(data) > 64<<10 || start+uint64(len(data)) < start {
			t.Skip()
		}
		im, err := image.FromSegments(image.Segment{Start: start, Data: data})
		if err != nil {
			t.Skip()
		}
		rep, err := Examine(nil, im)
		require.NoError(t, err)
		require.NotEqual(t, evidence.Pass, rep.Verdict)
		for _, fd := range rep.Findings {
			require.NotEmpty(t, fd.Code)
			require.NotEmpty(t, fd.Message)
			for _, r := range fd.Ranges {
				require.True(t, im.Covers(r), "%s names %s", fd.Code, r)
			}
		}
		ag, err := Agree(nil, im, im)
		require.NoError(t, err)
		require.Zero(t, ag.Differ)
		if _, err := NewStrip(nil, im, nil, nil); len(data) > 0 {
			require.NoError(t, err)
		}
	})
}

// Two images of any bytes: the counts hold whatever the reads are.
func FuzzAgree(f *testing.F) {
	seeds := fuzzSeeds(f)
	for i := 1; i < len(seeds); i++ {
		f.Add(seeds[i], seeds[len(seeds)-i])
	}
	f.Fuzz(func(t *testing.T, a, b []byte) {
		if len(a) > 64<<10 || len(b) > 64<<10 || len(a) == 0 || len(b) == 0 {
			t.Skip()
		}
		ag, err := Agree(nil, imageOf(t, a), imageOf(t, b))
		require.NoError(t, err)
		differ := uint64(0)
		for i := range min(len(a), len(b)) {
			if a[i] != b[i] {
				differ++
			}
		}
		require.Equal(t, differ, ag.Differ)
		require.EqualValues(t, min(len(a), len(b)), ag.Compared)
		if differ > 0 || len(a) != len(b) {
			require.NotEqual(t, evidence.Pass, ag.Verdict)
		}
	})
}
