package archive

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/imagetest"
)

// writer returns a command that runs this test binary as a writer.
func writerCommand(t testing.TB, dir string, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(self, args...)
	cmd.Env = append(os.Environ(), writerEnv+"="+dir)
	return cmd
}

// straced returns a writer under strace with a fault in it. strace counts the
// calls of each thread and kind of its own; the writer stays on one thread.
func straced(t testing.TB, dir, what, inject string, calls string) *exec.Cmd {
	t.Helper()
	cmd := writerCommand(t, dir, what)
	args := []string{"-f", "-qq", "-o", os.DevNull, "-e", "trace=" + calls, "-e", "inject=" + calls + ":" + inject}
	cmd.Args = append(append([]string{"strace"}, args...), cmd.Args...)
	cmd.Path = imagetest.Tool(t, "strace")
	return cmd
}

// TestKilledAtEverySystemCall kills a writer (SIGKILL) at each of its system
// calls that touch files: for each kind of call at the first, the second, and
// so on until the writer ends by itself.
func TestKilledAtEverySystemCall(t *testing.T) {
	imagetest.Tool(t, "strace")
	if testing.Short() {
		t.Skip("hundreds of processes")
	}
	dir := template(t)
	step := 1
	if !full() {
		step = 7
	}
	for what, add := range additions() {
		kills := map[string]int{}
		for _, call := range []string{"openat", "write", "fsync", "renameat", "mkdirat", "unlinkat", "flock", "close"} {
			for n := 1; ; n += step {
				a := copyOf(t, dir)
				before := entriesOf(t, a)
				out, err := straced(t, a.Dir(), what, fmt.Sprintf("signal=KILL:when=%d", n), call).CombinedOutput()
				afterFault(t, a, before, add, err)
				if err == nil {
					break
				}
				var exit *exec.ExitError
				require.ErrorAs(t, err, &exit, "%s", out)
				require.True(t, exit.Sys().(syscall.WaitStatus).Signaled(), "not killed at %s %d: %v %s", call, n, err, out)
				kills[call]++
				require.Less(t, n, 5000)
			}
		}
		total := 0
		for _, call := range []string{"openat", "write", "fsync", "renameat", "mkdirat"} {
			assert.NotZero(t, kills[call], "no %s was traced", call)
		}
		for _, n := range kills {
			total += n
		}
		t.Logf("%s: killed at %d system calls (every %d. of each kind), archive whole after each: %v", what, total, step, kills)
	}
}

// TestSystemCallsFail lets system calls themselves fail, below everything that
// is written in Go.
func TestSystemCallsFail(t *testing.T) {
	imagetest.Tool(t, "strace")
	if testing.Short() {
		t.Skip("many processes")
	}
	dir := template(t)
	for _, c := range []struct{ calls, fault, says string }{
		{"fsync", "EIO", "input/output error"},
		{"renameat", "EXDEV", "invalid cross-device link"},
		{"mkdirat", "ENOSPC", "no space left on device"},
	} {
		for what, add := range additions() {
			count := 0
			step := 1
			if !full() && c.calls == "fsync" {
				step = 5
			}
			for n := 1; ; n += step {
				a := copyOf(t, dir)
				before := entriesOf(t, a)
				out, err := straced(t, a.Dir(), what, fmt.Sprintf("error=%s:when=%d", c.fault, n), c.calls).CombinedOutput()
				afterFault(t, a, before, add, err)
				if err == nil {
					break
				}
				require.Contains(t, string(out), c.says, "%s %d", c.calls, n)
				count++
			}
			assert.NotZero(t, count)
			t.Logf("%s: %s on %d of %s", what, c.fault, count, c.calls)
		}
	}
}

// TestKilledAtRandomTimes kills a busy writer again and again; one archive
// lives through all of it.
func TestKilledAtRandomTimes(t *testing.T) {
	if testing.Short() {
		t.Skip("many processes")
	}
	kills := 20
	if full() {
		kills = 200
	}
	a := newArchive(t)
	r := rand.New(rand.NewPCG(3, 4))
	finished := 0
	for i := range kills {
		if i%40 == 39 { // keep the archive small
			require.NoError(t, a.Close())
			a = newArchive(t)
			finished = 0
		}
		cmd := writerCommand(t, a.Dir(), "many", fmt.Sprint(i*1000))
		require.NoError(t, cmd.Start())
		time.Sleep(time.Duration(r.IntN(60)) * time.Millisecond)
		require.NoError(t, cmd.Process.Kill())
		_ = cmd.Wait() // killed: the error says so
		got := verifyAll(t, a)
		require.Equal(t, evidence.Pass, got.Verdict, "after kill %d: %v", i+1, got.Findings)
		now := len(entriesOf(t, a))
		require.GreaterOrEqual(t, now, finished, "a finished entry is gone")
		finished = now
	}
	t.Logf("%d kills, %d entries in the last archive, each verified after each", kills, finished)
	assert.NotZero(t, finished, "the writer never got anywhere")
	_, err := a.Add(ctx, backup("g", noise(1, 50)))
	require.NoError(t, err)
	_, err = a.Add(ctx, backup("h", noise(1, 50)))
	require.NoError(t, err)
	_, err = a.Add(ctx, backup("i", noise(1, 50)))
	require.NoError(t, err)
	assert.Empty(t, verifyAll(t, a).Findings, "the next writers tidy up")
}

// TestFullDisk fills a small file system of memory.
func TestFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=400k"); err != nil {
		t.Skipf("a small file system cannot be mounted here: %v", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) })
	a, err := Init(filepath.Join(dir, "archive"), testOptions())
	require.NoError(t, err)
	defer a.Close()
	kept := 0
	for i := range 100 {
		if _, err = a.Add(ctx, Addition{Vehicle: "g", Kind: Backup, Image: BytesSource("x.bin", noise(uint64(i), 60_000))}); err != nil {
			break
		}
		kept++
	}
	require.ErrorIs(t, err, syscall.ENOSPC)
	require.Positive(t, kept)
	assert.Len(t, entriesOf(t, a), kept)
	assert.Empty(t, verifyAll(t, a).Findings)
	names, err := os.ReadDir(filepath.Join(a.Dir(), "g"))
	require.NoError(t, err)
	for _, n := range names {
		assert.False(t, strings.HasPrefix(n.Name(), incomingPrefix), "left behind on a full disk")
	}
	t.Logf("%d entries kept, the next refused", kept)
}

// TestReadOnlyFolder: reading needs no right to write, and writing says so.
func TestReadOnlyFolder(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 50)
	if os.Getuid() == 0 {
		// The superuser may write anywhere; be nobody on this thread, which
		// ends with this goroutine.
		runtime.LockOSThread()
		require.NoError(t, os.Chmod(filepath.Dir(a.Dir()), 0o755))
		require.NoError(t, syscall.Setfsuid(65534))
		defer func() {
			if err := syscall.Setfsuid(0); err == nil {
				runtime.UnlockOSThread()
			}
		}()
	} else {
		require.NoError(t, os.Chmod(a.Dir(), 0o555))
		t.Cleanup(func() { _ = os.Chmod(a.Dir(), 0o755) })
	}
	_, err := a.Add(ctx, backup("h", noise(9, 50)))
	require.ErrorIs(t, err, os.ErrPermission)
	v, err := a.Verify(ctx, VerifyOptions{Workers: 1})
	require.NoError(t, err)
	assert.Equal(t, evidence.Pass, v.Verdict, "%v", v.Findings)
	e, err := a.Vehicle(ctx, "g")
	require.NoError(t, err)
	var out bytes.Buffer
	assert.NoError(t, a.Restore(ctx, &e.Entries[0], &out))
	assert.Len(t, e.Entries, 3)
}

// TestLinksAreNotFollowed: links out of the archive are named, and neither read
// nor written through.
func TestLinksAreNotFollowed(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 50)
	outside := filepath.Join(fastDir(t), "outside")
	require.NoError(t, os.MkdirAll(filepath.Join(outside, "0001-backup-2026-11-25"), 0o755))
	secret := filepath.Join(outside, "secret")
	require.NoError(t, os.WriteFile(secret, []byte("secret"), 0o600))

	entry := filepath.Join(a.Dir(), "g", "0001-backup-2026-11-25")
	image := filepath.Join(entry, "data", "image", "backup.bin")
	moved := filepath.Join(outside, "backup.bin")
	data, err := os.ReadFile(image)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(moved, data, 0o600))
	require.NoError(t, os.Remove(image))
	require.NoError(t, os.Symlink(moved, image)) // the right bytes, but elsewhere
	require.NoError(t, os.Symlink(outside, filepath.Join(a.Dir(), "h")))
	got := verifyAll(t, a)
	assert.Equal(t, evidence.Fail, got.Verdict)
	assert.Contains(t, fmt.Sprint(got.Findings), "symbolic link")
	assert.Contains(t, fmt.Sprint(got.Findings), "h in the archive's folder belongs to no vehicle")
	v, err := a.Vehicle(ctx, "g")
	require.NoError(t, err)
	assert.Error(t, a.Restore(ctx, &v.Entries[0], &bytes.Buffer{}), "read through a link")

	_, err = a.Add(ctx, backup("h", noise(3, 50)))
	assert.ErrorContains(t, err, `folder "h" of the archive is taken`)
	names, err := os.ReadDir(outside)
	require.NoError(t, err)
	assert.Len(t, names, 3, "written through a link")
	back, err := os.ReadFile(secret)
	require.NoError(t, err)
	assert.Equal(t, "secret", string(back))
}

// TestSpecialFiles: a named pipe in an entry is named, not opened (which would
// wait for ever).
func TestSpecialFiles(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 50)
	require.NoError(t, syscall.Mkfifo(filepath.Join(a.Dir(), "g", "0001-backup-2026-11-25", "data", "pipe"), 0o600))
	got := verifyAll(t, a)
	assert.Equal(t, evidence.Fail, got.Verdict)
	assert.Contains(t, fmt.Sprint(got.Findings), "named pipe")
}
