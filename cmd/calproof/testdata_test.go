package main

import (
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/maps"
)

// root is the top folder of the repository, seen from here.
var root = filepath.Join("..", "..")

// TestManifest holds testdata/ against its manifest.
func TestManifest(t *testing.T) {
	dir := filepath.Join(root, "testdata")
	text, err := os.ReadFile(filepath.Join(dir, "manifest.tsv"))
	require.NoError(t, err)
	listed := map[string]bool{"manifest.tsv": true}
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Split(strings.TrimRight(line, "\r\n"), "\t")
		require.Len(t, f, 5, line)
		data, err := os.ReadFile(filepath.Join(dir, f[0]))
		require.NoError(t, err)
		sum := sha256.Sum256(data)
		assert.Equal(t, f[1], strconv.Itoa(len(data)), "%s: size", f[0])
		assert.Equal(t, f[2], hex.EncodeToString(sum[:]), "%s: SHA-256", f[0])
		assert.NotEmpty(t, f[3], "%s: origin", f[0])
		assert.NotEmpty(t, f[4], "%s: licence", f[0])
		listed[f[0]] = true
	}
	there, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range there {
		assert.True(t, listed[e.Name()], "%s is not in the manifest", e.Name())
	}
}

// TestSynthetic makes testdata/synthetic.bin again, as the manifest says.
func TestSynthetic(t *testing.T) {
	data, err := os.ReadFile(filepath.Join(root, "testdata", "synthetic.bin"))
	require.NoError(t, err)
	want := make([]byte, 1000)
	x := uint32(12345)
	for i := range want {
		x = (1103515245*x + 12345) & (1<<31 - 1)
		want[i] = byte(x >> 16)
	}
	assert.Equal(t, want, data)
}

// TestMapFiles proves that every region map of the repository is valid, but for
// those that are broken on purpose.
func TestMapFiles(t *testing.T) {
	n := 0
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".toml" {
			return err
		}
		if strings.Contains(filepath.ToSlash(path), "/testdata/bad/") || strings.Contains(filepath.ToSlash(path), "/fuzz/") {
			return nil
		}
		n++
		_, err = maps.Load(path)
		assert.NoError(t, err)
		return nil
	})
	require.NoError(t, err)
	assert.Greater(t, n, 5)
}
