package imagetest

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// Environment variables that this package reads.
const (
	// RealInputsEnv names a folder with files made outside this project:
	// each Debian package unpacked by `dpkg -x FILE.deb $CALPROOF_REAL_INPUTS/PACKAGE`.
	RealInputsEnv = "CALPROOF_REAL_INPUTS"
	// RequireToolsEnv, set to 1, turns a missing tool or real input from a
	// skipped test into a failed one.
	RequireToolsEnv = "CALPROOF_REQUIRE_TOOLS"
)

// Tool returns the path of an outside program. If it is not installed, the
// test is skipped with a message, or fails when [RequireToolsEnv] is 1.
func Tool(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		Missing(t, "%s is not installed; this check compares with it", name)
	}
	return path
}

// Python returns the path of the distribution's own interpreter,
// /usr/bin/python3, if it can import module. Other interpreters in PATH do not
// see the modules that the distribution packages. Otherwise it acts as [Tool].
func Python(t testing.TB, module string) string {
	t.Helper()
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import "+module).Run(); err != nil {
		Missing(t, "%s cannot import %s (%v); this check compares with it", python, module, err)
	}
	return python
}

// RealFile returns the path of a file made outside this project. rel is its
// slash-separated place below the folder that [RealInputsEnv] names: the
// package, then the path in the package, such as
// "ipxe-qemu/usr/lib/ipxe/qemu/pxe-e1000.rom". A file that is not there skips
// the test as in [Tool]. So does one whose SHA-256 (hexadecimal) differs, which
// is another version of the package; "" accepts any.
func RealFile(t testing.TB, rel, sha256Hex string) string {
	t.Helper()
	dir := os.Getenv(RealInputsEnv)
	if dir == "" {
		Missing(t, "%s is not set; it names the folder of unpacked packages that holds %s", RealInputsEnv, rel)
	}
	path := filepath.Join(dir, filepath.FromSlash(rel))
	data, err := os.ReadFile(path)
	if err != nil {
		Missing(t, "real input: %v", err)
	}
	if sha256Hex != "" {
		Version(t, path, data, sha256Hex)
	}
	return path
}

// Version acts as [Tool] does for a program that is absent unless data, the
// content of a file that another program made, has this SHA-256 (hexadecimal):
// else the program is of another version, and expected values are not its.
func Version(t testing.TB, name string, data []byte, sha256Hex string) {
	t.Helper()
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != sha256Hex {
		Missing(t, "%s is of another version: SHA-256 %x, not %s", name, sum, sha256Hex)
	}
}

// Missing ends a test that something outside is not there for: a skip, or a
// failure when [RequireToolsEnv] is 1.
func Missing(t testing.TB, format string, args ...any) {
	t.Helper()
	if os.Getenv(RequireToolsEnv) == "1" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}
