//go:build unix

package archive

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
)

// withoutWaiting fails the test if fn does not return: opening a named pipe
// that nobody writes to waits for ever.
func withoutWaiting(t *testing.T, what string, fn func()) {
	t.Helper()
	done := make(chan struct{})
	go func() {
		defer close(done)
		fn()
	}()
	select {
	case <-done:
	case <-time.After(10 * time.Second):
		t.Fatalf("%s waits for somebody to write to a named pipe", what)
	}
}

// TestPipesInTheArchive puts a named pipe in place of every file and folder of
// an archive in turn. Nothing that reads may wait for it, verify must find it,
// and what other vehicles hold must be there all the same.
func TestPipesInTheArchive(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	made, err := Init(dir, testOptions())
	require.NoError(t, err)
	defer made.Close()
	made.disk = quickDisk{}
	fill(t, made, "Groomer 2", 64)
	_, err = made.Add(ctx, backup("other", noise(9, 64)))
	require.NoError(t, err)

	var places []string
	err = filepath.WalkDir(dir, func(p string, _ os.DirEntry, err error) error {
		if rel, _ := filepath.Rel(dir, p); rel != "." && !strings.HasPrefix(rel, "other") {
			places = append(places, rel)
		}
		return err
	})
	require.NoError(t, err)
	require.Greater(t, len(places), 30)
	for _, place := range places {
		p, aside := filepath.Join(dir, place), filepath.Join(out, "aside")
		require.NoError(t, os.Rename(p, aside))
		require.NoError(t, syscall.Mkfifo(p, 0o644))
		withoutWaiting(t, place, func() {
			a, err := Open(dir, testOptions())
			if place == markerFile {
				assert.ErrorContains(t, err, "neither file nor folder")
				return
			}
			if !assert.NoError(t, err) {
				return
			}
			defer a.Close()
			others := 0
			for v, _ := range a.Vehicles(ctx) {
				if v.Folder == "other" {
					others = len(v.Entries)
				}
			}
			assert.Equal(t, 1, others, "with a pipe at %s", place)
			for _, opts := range []VerifyOptions{{}, {Vehicle: "groomer-2"}} {
				check, err := a.Verify(ctx, opts)
				switch {
				case place == "groomer-2" && opts.Vehicle != "":
					assert.ErrorIs(t, err, ErrNotFound)
				case !assert.NoError(t, err):
				case place == lockFile && opts.Vehicle != "": // no part of the vehicle
				case place == lockFile || place == "groomer-2": // they carry no image
					assert.Equal(t, evidence.Unproven, check.Verdict, "with a pipe at %s", place)
				default:
					assert.Equal(t, evidence.Fail, check.Verdict, "with a pipe at %s", place)
				}
			}
			if v, err := a.Vehicle(ctx, "Groomer 2"); err == nil {
				for i := range v.Entries {
					e := &v.Entries[i]
					if e.ImagePath != "" {
						_ = a.Restore(ctx, e, io.Discard)
						_ = a.RestoreFile(ctx, e, e.ImagePath, io.Discard)
					}
				}
			}
			_, _ = a.Find(ctx, sumOf(noise(9, 64)))
			_ = a.Export(ctx, "groomer-2", io.Discard)
			if place == lockFile {
				_, err = a.Add(ctx, backup("other", noise(10, 64)))
				assert.ErrorContains(t, err, "is no regular file")
			}
		})
		require.NoError(t, os.Remove(p))
		require.NoError(t, os.Rename(aside, p))
	}
	pipe := filepath.Join(t.TempDir(), "archive")
	require.NoError(t, syscall.Mkfifo(pipe, 0o644))
	withoutWaiting(t, "the archive", func() {
		_, err := Open(pipe, testOptions())
		assert.ErrorContains(t, err, "is no folder")
	})
	t.Logf("a named pipe in place of each of %d files and folders", len(places))
}
