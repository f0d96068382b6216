package readcheck

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps"
	"example.com/calproof/maps/demo"
)

// scenario returns the demo's map and the bytes of one of its files.
func scenario(t testing.TB, name string) (*maps.Map, []byte) {
	t.Helper()
	files, err := demo.Files()
	require.NoError(t, err)
	var m *maps.Map
	var data []byte
	for _, f := range files {
		if f.Name == demo.MapName {
			m, err = maps.Parse(f.Name, f.Data)
			require.NoError(t, err)
		}
		if f.Name == name {
			data = f.Data
		}
	}
	require.NotNil(t, data, "the demo has no %s", name)
	return m, data
}

func withMap(t testing.TB, m *maps.Map, data []byte) *Report {
	t.Helper()
	im, err := image.New(bytes.NewReader(data), int64(len(data)), image.Options{Format: image.FormatRaw, Base: new(m.Image.Base)})
	require.NoError(t, err)
	rep, err := Examine(m, im)
	require.NoError(t, err)
	return rep
}

func TestDemoReads(t *testing.T) {
	for _, name := range []string{"backup.bin", "second-read.bin", "edited.bin", "edited-boot.bin"} {
		m, data := scenario(t, name)
		rep := withMap(t, m, data)
		assert.Equal(t, evidence.Pass, rep.Verdict, name)
		assert.Empty(t, rep.Findings, name)
		assert.Empty(t, rep.NotJudged, name)
		assert.Empty(t, examineBytes(t, data).Findings, "%s without a map", name)
	}
	m, data := scenario(t, "short-read.bin")
	rep := withMap(t, m, data)
	assert.Equal(t, evidence.Fail, rep.Verdict)
	assert.Equal(t, "short-read", rep.Findings[0].Code, "the cause comes first")
	m, data = scenario(t, "stuck-line-read.bin")
	rep = withMap(t, m, data)
	assert.Equal(t, evidence.Fail, rep.Verdict)
	assert.Equal(t, "address-line-stuck", rep.Findings[0].Code)
}

func TestDemoReadsAgree(t *testing.T) {
	m, first := scenario(t, "backup.bin")
	_, second := scenario(t, "second-read.bin")
	ag, err := Agree(m, imageOf(t, first), imageOf(t, second))
	require.NoError(t, err)
	assert.Equal(t, evidence.Pass, ag.Verdict)
	assert.Equal(t, []string{"reads-differ-learned"}, codes(ag.Findings))
}

// With the map every fault that changes what a checksum covers fails, and the
// finding says which fault it is as often as the table here demands.
func TestInjectedFaultsIntoDemo(t *testing.T) {
	m, good := scenario(t, "backup.bin")
	const each = 4
	namedOf4 := map[string]int{
		"address-line-stuck": 4, "address-line-stuck-part": 3, "address-lines-shorted": 4, "address-lines-swapped": 3,
		"data-line-stuck": 4, "data-lines-shorted": 4, "truncated-padded": 3, "truncated": 4, "bytes-swapped": 4, "interleaved": 4,
		"session-text": 3, "html-error": 3,
	}
	for i, class := range faults.Classes() {
		if testing.Short() && i%3 != 0 {
			continue
		}
		t.Run(class.Name, func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(21, uint64(i)))
			found, called := 0, 0
			for range each {
				bad, how, ok := faults.Inject(class, r, good)
				require.True(t, ok)
				rep := withMap(t, m, bad)
				if rep.Verdict != evidence.Pass {
					found++
				} else {
					t.Logf("passed: %s", how)
				}
				if named(rep, class) {
					called++
				} else {
					t.Logf("not named: %s", how)
				}
			}
			if class.Whole {
				assert.Equal(t, each, found, "verdicts other than pass")
			}
			assert.GreaterOrEqual(t, called, namedOf4[class.Name], "faults named")
		})
	}
}
