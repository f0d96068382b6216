package main

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkStart measures whole processes: version, and beside it a plain Go
// program that prints a line. Goal: at most 1.5 times as long.
func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	plain := filepath.Join(dir, "plain.go")
	require.NoError(b, os.WriteFile(plain, []byte("package main\n\nimport \"os\"\n\nfunc main() { os.Stdout.WriteString(\"plain\\n\") }\n"), 0o666))
	for _, program := range []struct{ name, source, args string }{
		{"plain", plain, ""}, {"version", ".", "version"},
	} {
		b.Run("program="+program.name, func(b *testing.B) {
			exe := filepath.Join(dir, program.name)
			if runtime.GOOS == "windows" {
				exe += ".exe"
			}
			build := exec.Command("go", "build", "-o", exe, program.source)
			build.Env = append(os.Environ(), "CGO_ENABLED=0")
			out, err := build.CombinedOutput()
			require.NoError(b, err, string(out))
			for b.Loop() {
				require.NoError(b, exec.Command(exe, strings.Fields(program.args)...).Run())
			}
		})
	}
}

// BenchmarkMainJob measures verify, diff and gate on the demo, in process.
// Goal: well under 100 ms each.
func BenchmarkMainJob(b *testing.B) {
	dir := b.TempDir()
	silent := Streams{In: strings.NewReader(""), Out: io.Discard, Err: io.Discard}
	require.Equal(b, exitPass, run([]string{"demo", dir}, silent))
	steps := demoSteps(dir)
	for _, i := range []int{0, 7, 8} {
		b.Run("command="+steps[i].Args[0], func(b *testing.B) {
			for b.Loop() {
				require.Equal(b, steps[i].Want, run(steps[i].Args, silent))
			}
		})
	}
}
