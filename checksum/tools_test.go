package checksum_test

import (
	"bytes"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// python is the distribution's own interpreter: the only one that sees the
// packages of the distribution.
const python = "/usr/bin/python3"

// needTool skips the test if the outside program is not there, or a Python
// module that it imports; with CALPROOF_REQUIRE_TOOLS=1 that is a failure.
func needTool(t *testing.T, name string, modules ...string) {
	t.Helper()
	_, err := exec.LookPath(name)
	if err == nil && len(modules) > 0 {
		err = exec.Command(name, "-c", "import "+strings.Join(modules, ",")).Run()
	}
	if err == nil {
		return
	}
	if os.Getenv("CALPROOF_REQUIRE_TOOLS") == "1" {
		t.Fatalf("%s %v is not here: %v", name, modules, err)
	}
	t.Skipf("%s %v is not here: %v", name, modules, err)
}

// runTool gives the standard output of a program fed with input.
func runTool(t *testing.T, input []byte, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C")
	cmd.Stdin = bytes.NewReader(input)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, "%s: %s", name, &stderr)
	return string(out)
}
