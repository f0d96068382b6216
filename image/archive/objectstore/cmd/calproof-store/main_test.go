package main

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive"
)

func TestCommands(t *testing.T) {
	dir := t.TempDir()
	shop, office, store := filepath.Join(dir, "shop"), filepath.Join(dir, "office"), "file://"+filepath.ToSlash(filepath.Join(dir, "store"))+"?create_dir=true&metadata=skip"
	for _, d := range []string{shop, office} {
		a, err := archive.Init(d, archive.Options{})
		require.NoError(t, err)
		if d == shop {
			_, err = a.Add(context.Background(), archive.Addition{Vehicle: "g", Kind: archive.Backup, Image: archive.BytesSource("x.bin", []byte("image"))})
			require.NoError(t, err)
		}
		require.NoError(t, a.Close())
	}
	do := func(want int, args ...string) string {
		t.Helper()
		var out, messages bytes.Buffer
		assert.Equal(t, want, run(args, &out, &messages), "%v\n%s", args, messages.String())
		return out.String()
	}
	assert.Equal(t, "g: 1 copied, 0 there already\n", do(exitPass, "push", "--archive", shop, "--store", store))
	assert.Equal(t, "g: 0 copied, 1 there already\n", do(exitPass, "push", "g", "--archive", shop, "--store", store))
	assert.Equal(t, "g: 1 copied, 0 there already\n", do(exitPass, "pull", "--archive", office, "--store", store))
	assert.Contains(t, do(exitPass, "verify", "--store", store), "pass: 1 entries of 1 vehicles")
	var doc struct {
		Command, Verdict string
		Data             struct{ Entries int }
	}
	require.NoError(t, json.Unmarshal([]byte(do(exitPass, "verify", "g", "--store", store, "--json")), &doc))
	assert.Equal(t, "store verify", doc.Command)
	assert.Equal(t, 1, doc.Data.Entries)
	do(exitCouldNotRun, "verify")
	do(exitCouldNotRun, "push", "--store", store)
	do(exitCouldNotRun, "push", "nobody", "--archive", shop, "--store", store)
	do(exitCouldNotRun, "verify", "nobody", "--store", store)
	do(exitCouldNotRun, "nonsense")
}
