package safefile_test

import (
	"os"
	"os/exec"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/imagetest"
	"example.com/calproof/image/safefile"
)

const faultEnv = "SAFEFILE_FAULT_OUT" // where the traced process writes

// renames are the system calls behind os.Rename, of which no machine has all.
const renames = "?rename,?renameat,?renameat2"

// TestTracedWrite is the process that TestFaults runs under strace.
func TestTracedWrite(t *testing.T) {
	out := os.Getenv(faultEnv)
	if out == "" {
		t.Skip("only runs inside TestFaults")
	}
	require.NoError(t, safefile.Write(out, safefile.Options{Force: true}, write("new")))
}

// System calls that fail, as strace makes them: nothing is lost, nothing is
// left behind, and the error is not swallowed.
func TestFaults(t *testing.T) {
	strace := imagetest.Tool(t, "strace")
	if err := exec.Command(strace, "-o", os.DevNull, "true").Run(); err != nil {
		imagetest.Missing(t, "strace may not trace here: %v", err)
	}
	self, err := os.Executable()
	require.NoError(t, err)
	cases := []struct {
		name   string
		inject string
		folder bool   // only calls on the folder itself fail
		leaves string // content of the file afterwards
		says   string
	}{
		{"file cannot be flushed", "fsync:error=EIO", false, "old", "input/output error"},
		{"folder cannot be flushed", "fsync:error=EIO", true, "new", "input/output error"},
		{"another file system", renames + ":error=EXDEV", false, "old", "invalid cross-device link"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			f := newFolder(t)
			out := f.put("out", "old")
			args := []string{"-f", "-qq", "-o", os.DevNull, "-e", "trace=fsync," + renames, "-e", "inject=" + c.inject}
			if c.folder {
				args = append(args, "-P", f.path)
			}
			cmd := exec.Command(strace, append(args, self, "-test.run=^TestTracedWrite$")...)
			cmd.Env = append(os.Environ(), faultEnv+"="+out)
			text, err := cmd.CombinedOutput()
			require.Error(t, err, "the process reports the failure: %s", text)
			assert.Contains(t, string(text), c.says)
			f.holds(map[string]string{"out": c.leaves})
		})
	}
}
