package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
)

// TestExitCodes holds the numbers: they are a promise to scripts.
func TestExitCodes(t *testing.T) {
	assert.Equal(t, 0, exitCode(exitFor(evidence.Pass)))
	assert.Equal(t, 1, exitCode(exitFor(evidence.Fail)))
	assert.Equal(t, 2, exitCode(errors.New("cannot read")))
	assert.Equal(t, 3, exitCode(exitFor(evidence.Unproven)))
	assert.Equal(t, 3, exitCode(exitFor("")), "a verdict that nobody reached is no pass")
	assert.Equal(t, 1, exitCode(fmt.Errorf("wrapped: %w", exitError(exitFail))))
}

// TestEveryExitCode proves that the scripts reach every exit code that a
// command's help names.
func TestEveryExitCode(t *testing.T) {
	reached := map[string]bool{} // "verify 1"
	scripts, err := filepath.Glob(filepath.Join("testdata", "script", "*.txtar"))
	require.NoError(t, err)
	line := regexp.MustCompile(`(?m)^exits (\d) calproof ((?:(?:map|archive|edits) )?[\w-]+)`)
	for _, path := range scripts {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		for _, m := range line.FindAllStringSubmatch(string(text), -1) {
			reached[m[2]+" "+m[1]] = true
		}
	}
	out := map[string]string{
		"demo 1": "a verdict that is not as the scenario says would be a defect of calproof",
	}
	codes := regexp.MustCompile(`(\d) \w+`)
	everyCommand(func(cmd *cobra.Command) {
		if cmd.HasSubCommands() || cmd.Name() == "help" {
			return
		}
		name := strings.TrimPrefix(cmd.CommandPath(), "calproof ")
		_, text, ok := strings.Cut(cmd.Long, "Exit codes: ")
		require.True(t, ok, name)
		for _, m := range codes.FindAllStringSubmatch(text, -1) {
			key := name + " " + m[1]
			assert.NotEqual(t, reached[key], out[key] != "", "exit code %s: no script reaches it, or it is excused although one does", key)
		}
	})
}

// A file name with control characters must not reach the terminal as it is.
func TestMessagesAreEscaped(t *testing.T) {
	var out, messages bytes.Buffer
	assert.Equal(t, exitCouldNotRun, run([]string{"inspect", "a\x1b[2Jb"}, Streams{Out: &out, Err: &messages}))
	assert.Empty(t, out.String())
	assert.Contains(t, messages.String(), `a\x1b[2Jb`)
	assert.NotContains(t, messages.String(), "\x1b")
}
