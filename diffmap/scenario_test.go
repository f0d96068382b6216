package diffmap_test

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
	"example.com/calproof/maps/demo"
)

// scenario returns the map and the images of the demo.
func scenario(t testing.TB) (*maps.Map, map[string]*maps.Bound) {
	files, err := demo.Files()
	require.NoError(t, err)
	var m *maps.Map
	images := map[string]*maps.Bound{}
	for _, f := range files {
		if f.Name == demo.MapName {
			m, err = maps.Parse(f.Name, f.Data)
			require.NoError(t, err)
			continue
		}
		images[f.Name], err = maps.New(f.Name, bytes.NewReader(f.Data), int64(len(f.Data)), m, image.Options{})
		require.NoError(t, err)
	}
	require.NotNil(t, m)
	return m, images
}

// The verdicts are those the scenario promises.
func TestScenario(t *testing.T) {
	m, images := scenario(t)
	volts, latency := 13.2, 0.8
	archived := func(string) (*diffmap.ArchiveEvidence, error) {
		return &diffmap.ArchiveEvidence{Entry: "groomer-1/0001", Verified: evidence.Pass, Kept: evidence.Pass, Restorable: evidence.Pass}, nil
	}
	for _, c := range []struct {
		file                  string
		verify, gate, archive evidence.Verdict
		failed                []string // conditions
	}{
		{"backup.bin", evidence.Pass, evidence.Unproven, evidence.Pass, nil},
		{"second-read.bin", evidence.Pass, evidence.Fail, evidence.Fail, []string{diffmap.ConditionEdits}}, // learned values must not be written back
		{"short-read.bin", evidence.Fail, evidence.Fail, evidence.Fail, nil},
		{"stuck-line-read.bin", evidence.Fail, evidence.Fail, evidence.Fail, nil},
		{"edited.bin", evidence.Pass, evidence.Unproven, evidence.Pass, []string{}},
		{"edited-stale.bin", evidence.Fail, evidence.Fail, evidence.Fail, []string{diffmap.ConditionChecksums}},
		{"edited-boot.bin", evidence.Pass, evidence.Fail, evidence.Fail, []string{diffmap.ConditionEdits, diffmap.ConditionProtected}},
	} {
		verified, err := diffmap.Verify(m, images[c.file].Image)
		require.NoError(t, err)
		assert.Equal(t, c.verify, verified.Verdict, "verify %s", c.file)
		in := diffmap.GateInput{Original: images["backup.bin"], Modified: images[c.file], SecondRead: images["second-read.bin"],
			Bench: diffmap.BenchFigures{SupplyVolts: &volts, AdapterLatencyMS: &latency}}
		res, err := diffmap.Gate(in)
		require.NoError(t, err)
		assert.Equal(t, c.gate, res.Verdict, "gate %s", c.file)
		in.Archive = archived
		res, err = diffmap.Gate(in)
		require.NoError(t, err)
		assert.Equal(t, c.archive, res.Verdict, "gate %s with a proved archive entry", c.file)
		if c.failed != nil {
			failed := []string{}
			for _, cond := range res.Conditions {
				if cond.Verdict != evidence.Pass {
					failed = append(failed, cond.Code)
				}
			}
			assert.Equal(t, c.failed, failed, c.file)
		}
	}
}

// BenchmarkScenario measures the main job on the demo, 512 KiB an image.
func BenchmarkScenario(b *testing.B) {
	m, images := scenario(b)
	original, modified := images["backup.bin"], images["edited.bin"]
	volts, latency := 13.2, 0.8
	for name, job := range map[string]func() error{
		"verify": func() error { _, err := diffmap.Verify(m, original.Image); return err },
		"diff":   func() error { _, err := diffmap.CompareBound(original, modified, diffmap.Options{}); return err },
		"gate": func() error {
			_, err := diffmap.Gate(diffmap.GateInput{Original: original, Modified: modified, SecondRead: images["second-read.bin"],
				Bench: diffmap.BenchFigures{SupplyVolts: &volts, AdapterLatencyMS: &latency}})
			return err
		},
	} {
		b.Run("job="+name, func(b *testing.B) {
			b.SetBytes(512 << 10)
			for b.Loop() {
				require.NoError(b, job())
			}
		})
	}
}
