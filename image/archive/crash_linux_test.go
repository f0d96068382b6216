package archive

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
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

// straced returns a writer under strace with a fault in it, and where strace
// writes what it saw. strace counts the calls of each thread and kind of its
// own; the writer stays on one thread.
func straced(t testing.TB, dir, what, inject string, calls string) (cmd *exec.Cmd, log string) {
	t.Helper()
	cmd, log = writerCommand(t, dir, what), dir+".strace"
	args := []string{"-f", "-qq", "-o", log, "-e", "trace=" + calls, "-e", "inject=" + calls + ":" + inject}
	if !strings.HasPrefix(inject, "signal=") { // faster, but sends no signals
		args = append(args, "--seccomp-bpf")
	}
	cmd.Args = append(append([]string{"strace"}, args...), cmd.Args...)
	cmd.Path = imagetest.Tool(t, "strace")
	return cmd, log
}

// TestKilledAtEverySystemCall kills a writer (SIGKILL) at each of its system
// calls that touch files: for each kind of call at the first, the second, and
// so on until the writer ends by itself.
func TestKilledAtEverySystemCall(t *testing.T) {
	imagetest.Tool(t, "strace")
	if testing.Short() {
		t.Skip("hundreds of processes")
	}
	t.Parallel()
	step := 1
	if !full() {
		step = 9
	}
	for _, from := range starts(t) {
		for what, add := range from.additions {
			kills := map[string]int{}
			for _, call := range []string{"openat", "write", "fsync", "renameat", "mkdirat", "unlinkat", "flock", "close"} {
				step := step
				if call == "close" && !everything() { // many, and few of them matter
					step = max(step, 5)
				}
				for n := 1; ; n += step {
					a := copyOf(t, from.dir)
					before := entriesOf(t, a)
					cmd, _ := straced(t, a.Dir(), what, fmt.Sprintf("signal=KILL:when=%d", n), call)
					out, err := cmd.CombinedOutput()
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
			for _, call := range []string{"openat", "write", "fsync", "renameat", "mkdirat", "unlinkat", "flock", "close"} {
				if call != "unlinkat" || what != "new vehicle" { // which has nothing to remove
					assert.NotZero(t, kills[call], "no %s was traced", call)
				}
				total += kills[call]
			}
			t.Logf("%s, archive %s: killed at %d system calls, archive whole after each: %v", what, from.name, total, kills)
		}
	}
}

// TestSystemCallsFail lets system calls themselves fail, below everything that
// is written in Go: each of a kind in turn, until a run has none left to fail.
// Some failures do not matter (calls of the Go runtime, the removal of what is
// not there, the unlocking of a lock that ends with the process); then the entry
// must be there.
func TestSystemCallsFail(t *testing.T) {
	imagetest.Tool(t, "strace")
	if testing.Short() {
		t.Skip("many processes")
	}
	t.Parallel()
	all := starts(t)
	for i, c := range []struct {
		call, fault, says string
		mayNotMatter      bool
	}{
		{"write", "error=ENOSPC", "no space left on device", false},
		{"fsync", "error=EIO", "input/output error", false},
		{"renameat", "error=EXDEV", "invalid cross-device link", false},
		{"write", "retval=1", "does not read back as it was written", false}, // nothing is written, one byte is said to be
		{"write", "error=EDQUOT", "disk quota exceeded", false},
		{"write", "error=EIO", "input/output error", false},
		{"renameat", "error=EIO", "input/output error", false},
		{"mkdirat", "error=ENOSPC", "no space left on device", false},
		{"openat", "error=EMFILE", "too many open files", true},
		{"close", "error=EIO", "input/output error", true},
		{"unlinkat", "error=EROFS", "read-only file system", true},
		{"flock", "error=ENOLCK", "no locks available", true},
	} {
		refused, ignored := 0, 0
		step := 1
		if !everything() && (!full() || i > 3) {
			step = max(1, map[string]int{"write": 9, "fsync": 9, "mkdirat": 3, "openat": 19, "close": 19}[c.call])
		}
		for _, from := range all {
			for what, add := range from.additions {
				for n := 1; ; n += step {
					a := copyOf(t, from.dir)
					before := entriesOf(t, a)
					cmd, log := straced(t, a.Dir(), what, fmt.Sprintf("%s:when=%d", c.fault, n), c.call)
					out, err := cmd.CombinedOutput()
					afterFault(t, a, before, add, err)
					seen, logErr := os.ReadFile(log)
					require.NoError(t, logErr)
					if !strings.Contains(string(seen), "(INJECTED)") {
						require.NoError(t, err, "%s", out)
						break
					}
					if err == nil {
						require.True(t, c.mayNotMatter, "%s of %s %d was not noticed", c.fault, c.call, n)
						ignored++
						continue
					}
					require.Contains(t, strings.ToLower(string(out)), c.says, "%s %d", c.call, n) // the loader of programs writes it otherwise
					refused++
				}
			}
		}
		assert.NotZero(t, refused, "%s of %s", c.fault, c.call)
		t.Logf("%s of %s: %d refused, archive whole after each; %d did not matter", c.fault, c.call, refused, ignored)
	}
}

// TestKilledAtRandomTimes kills two busy writers again and again, while
// everything is verified; one archive lives through all of it.
func TestKilledAtRandomTimes(t *testing.T) {
	if testing.Short() {
		t.Skip("many processes")
	}
	t.Parallel()
	kills := 20
	if full() {
		kills = 200
	}
	a := newArchive(t)
	r := rand.New(rand.NewPCG(3, 4))
	finished, total, meanwhile := 0, 0, 0
	for i := 0; i < kills; i += 2 {
		if i%40 == 38 { // keep the archive small
			require.NoError(t, a.Close())
			a = newArchive(t)
			finished = 0
		}
		var writers []*exec.Cmd
		for w := range 2 {
			cmd := writerCommand(t, a.Dir(), "many", fmt.Sprint((i+w)*1000))
			require.NoError(t, cmd.Start())
			writers = append(writers, cmd)
		}
		for _, cmd := range writers {
			for end := time.Now().Add(time.Duration(r.IntN(30)) * time.Millisecond); time.Now().Before(end); meanwhile++ {
				got := verifyAll(t, a)
				require.Equal(t, evidence.Pass, got.Verdict, "while two write: %v", got.Findings)
			}
			require.NoError(t, cmd.Process.Kill())
			_ = cmd.Wait() // killed: the error says so
		}
		got := verifyAll(t, a)
		require.Equal(t, evidence.Pass, got.Verdict, "after kill %d: %v", i+2, got.Findings)
		now := len(entriesOf(t, a))
		require.GreaterOrEqual(t, now, finished, "a finished entry is gone")
		total += now - finished
		finished = now
	}
	t.Logf("%d kills of two writers at once, %d entries kept, each verified after each; %d verifications meanwhile", kills, total, meanwhile)
	assert.NotZero(t, finished, "the writers never got anywhere")
	assert.NotZero(t, meanwhile)
	for _, vehicle := range []string{"g", "h", "i"} {
		_, err := a.Add(ctx, backup(vehicle, noise(1, 50)))
		require.NoError(t, err)
	}
	assert.Empty(t, verifyAll(t, a).Findings, "the next writers tidy up")
}
