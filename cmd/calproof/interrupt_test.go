package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An interrupt while a file or an entry is being written leaves nothing behind.
func TestInterrupt(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("a process cannot send another an interrupt on Windows")
	}
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	large := func(name string, size int64) { // takes a while to write, and no room itself
		f, err := os.Create(in(name))
		require.NoError(t, err)
		require.NoError(t, f.Truncate(size))
		require.NoError(t, f.Close())
	}
	large("large.bin", 1<<30)
	large("small.bin", 4096)
	silent := Streams{In: strings.NewReader(""), Out: &bytes.Buffer{}, Err: &bytes.Buffer{}}
	require.Equal(t, exitPass, run([]string{"archive", "init", in("shop")}, silent))
	for _, c := range []struct {
		name string
		args []string
		temp string // what lies there while it is written
	}{
		{"convert", []string{"convert", in("large.bin"), in("out.s19"), "--json"}, in(".calproof-*.tmp")},
		{"archive add", []string{"archive", "add", in("small.bin"), "--archive", in("shop"), "--vehicle", "v", "--kind", "backup", "--attach", in("large.bin"), "--json"}, in("shop/.incoming-*")},
	} {
		t.Run(c.name, func(t *testing.T) {
			cmd := exec.Command("calproof", c.args...)
			var stdout, stderr bytes.Buffer
			cmd.Stdout, cmd.Stderr = &stdout, &stderr
			require.NoError(t, cmd.Start())
			begun := func() bool {
				found, err := filepath.Glob(c.temp)
				require.NoError(t, err)
				return len(found) > 0
			}
			deadline := time.Now().Add(20 * time.Second)
			for !begun() && time.Now().Before(deadline) {
				time.Sleep(time.Millisecond)
			}
			require.True(t, begun(), "nothing temporary was seen")
			require.NoError(t, cmd.Process.Signal(os.Interrupt))
			var exit *exec.ExitError
			require.ErrorAs(t, cmd.Wait(), &exit)
			assert.Equal(t, exitCouldNotRun, exit.ExitCode())
			assert.Contains(t, stderr.String(), "interrupted")
			assert.Contains(t, stdout.String(), `"error": "`)
			assert.False(t, begun(), "something temporary is left")
			var left []string
			require.NoError(t, filepath.WalkDir(dir, func(path string, _ os.DirEntry, err error) error {
				left = append(left, filepath.Base(path))
				return err
			}))
			for _, name := range left {
				assert.NotContains(t, []string{"out.s19", "v", "v-1"}, name)
			}
		})
	}
}
