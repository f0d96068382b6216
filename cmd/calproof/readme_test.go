package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// fence is a fenced block of README.md: its language and its lines.
var fence = regexp.MustCompile("(?ms)^```(\\w+)\n(.*?)^```$")

// TestReadme holds what README.md shows against what the program does: every
// command in a console block, and the Go program with its output. With
// CALPROOF_UPDATE=1 it rewrites the outputs instead.
func TestReadme(t *testing.T) {
	root, err := filepath.Abs(filepath.Join("..", ".."))
	require.NoError(t, err)
	path := filepath.Join(root, "README.md")
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	want := strings.ReplaceAll(string(raw), "\r\n", "\n")
	demoHere(t)

	programOutput := ""
	blocks := map[string]int{}
	got := fence.ReplaceAllStringFunc(want, func(block string) string {
		m := fence.FindStringSubmatch(block)
		language, body := m[1], m[2]
		blocks[language]++
		switch language {
		case "console":
			body = console(t, body)
		case "go":
			programOutput = runProgram(t, root, body)
		case "text":
			body = programOutput
		}
		return "```" + language + "\n" + body + "```"
	})
	assert.GreaterOrEqual(t, blocks["console"], 6)
	assert.Equal(t, 1, blocks["go"])
	assert.Equal(t, 1, blocks["text"])
	if os.Getenv("CALPROOF_UPDATE") == "1" {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o666))
		return
	}
	assert.Equal(t, want, got, "README.md shows something else than the program prints; CALPROOF_UPDATE=1 rewrites it")
}

// console runs the commands of a block, the lines that begin with "$ ", and
// returns the block with what they print.
func console(t *testing.T, body string) string {
	var out strings.Builder
	for line := range strings.Lines(body) {
		command, ok := strings.CutPrefix(line, "$ ")
		if !ok {
			continue
		}
		out.WriteString(line)
		command, filter, _ := strings.Cut(strings.TrimSpace(command), " | ")
		args := strings.Fields(command)
		require.Equal(t, "calproof", args[0], line)
		var stdout, stderr bytes.Buffer
		code := run(args[1:], Streams{In: strings.NewReader(""), Out: &stdout, Err: &stderr})
		require.NotEqual(t, exitCouldNotRun, code, "%s%s", line, stderr.String())
		out.WriteString(filtered(t, filter, stdout.String()))
	}
	return out.String()
}

// filtered does what the two filters do that README.md uses: head -n N, and
// grep -m 1 -A N 'TEXT'.
func filtered(t *testing.T, filter, text string) string {
	lines := strings.SplitAfter(text, "\n")
	number := func(s string) int {
		n, err := strconv.Atoi(s)
		require.NoError(t, err)
		return n
	}
	first, count := 0, len(lines)
	if m := regexp.MustCompile(`^head -n (\d+)$`).FindStringSubmatch(filter); m != nil {
		count = number(m[1])
	} else if m := regexp.MustCompile(`^grep -m 1 -A (\d+) '([\w ]+)'$`).FindStringSubmatch(filter); m != nil {
		for first < len(lines) && !strings.Contains(lines[first], m[2]) {
			first++
		}
		require.Less(t, first, len(lines), "nothing matches %q", m[2])
		count = number(m[1]) + 1
	} else {
		require.Empty(t, filter, "this test does not know the filter")
	}
	return strings.Join(lines[first:min(first+count, len(lines))], "")
}

// runProgram builds source as a program of this module, in a folder that
// exists only for the compiler, and returns what it prints.
func runProgram(t *testing.T, root, source string) string {
	if testing.Short() {
		t.Skip("builds a program")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "main.go")
	require.NoError(t, os.WriteFile(file, []byte(source), 0o666))
	overlay, err := json.Marshal(map[string]any{"Replace": map[string]string{filepath.Join(root, "cmd", "readme", "main.go"): file}})
	require.NoError(t, err)
	overlayFile := filepath.Join(dir, "overlay.json")
	require.NoError(t, os.WriteFile(overlayFile, overlay, 0o666))
	program := filepath.Join(dir, "program")
	if runtime.GOOS == "windows" {
		program += ".exe"
	}
	build := exec.Command("go", "build", "-overlay", overlayFile, "-o", program, "./cmd/readme")
	build.Dir = root
	message, err := build.CombinedOutput()
	require.NoError(t, err, string(message))
	out, err := exec.Command(program).CombinedOutput() // in the demo's folder
	require.NoError(t, err, string(out))
	return string(out)
}
