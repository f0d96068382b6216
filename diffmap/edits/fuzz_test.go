package edits

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// seeds are edits files that the program wrote for its own demo.
func seeds(t testing.TB) [][]byte {
	paths, err := filepath.Glob("testdata/*.edits")
	require.NoError(t, err)
	var out [][]byte
	for _, p := range paths {
		data, err := os.ReadFile(p)
		require.NoError(t, err)
		out = append(out, data)
	}
	return out
}

func TestSeedsParse(t *testing.T) {
	all := seeds(t)
	require.Len(t, all, 2)
	for _, data := range all {
		f, err := Parse("seed", data)
		require.NoError(t, err)
		assert.NotEmpty(t, f.Edits[0].Stretches)
	}
}

// Whatever the file, there is no panic, an error names the file, and what was
// read can be written and read again with the same meaning and be looked for.
func FuzzParse(f *testing.F) {
	for _, data := range seeds(f) {
		f.Add(data)
	}
	im := at(f, 0x70000, random(3, 0x400))
	f.Fuzz(func(t *testing.T, data []byte) {
		file, err := Parse("edits.toml", data)
		if err != nil {
			require.Contains(t, err.Error(), "edits.toml")
			return
		}
		var text []byte
		for _, e := range file.Edits {
			if text, err = e.AppendTo("again", text); err != nil {
				t.Fatal(err)
			}
		}
		if len(file.Edits) > 0 {
			again, err := Parse("again", text)
			require.NoError(t, err)
			require.Equal(t, file.Edits, again.Edits)
		}
		found, err := Find(im, file)
		require.NoError(t, err)
		require.Len(t, found, len(file.Edits))
	})
}
