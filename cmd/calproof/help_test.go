package main

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// everyCommand calls fn for each command but the built-in help.
func everyCommand(fn func(cmd *cobra.Command)) {
	var walk func(cmd *cobra.Command)
	walk = func(cmd *cobra.Command) {
		fn(cmd)
		for _, c := range cmd.Commands() {
			walk(c)
		}
	}
	walk(newRootCommand(Streams{}))
}

// demoHere writes the scenario into the folder demo of a fresh folder and
// makes that the current one.
func demoHere(t *testing.T) {
	t.Helper()
	dir := t.TempDir()
	t.Chdir(dir)
	require.NoError(t, os.Mkdir("demo", 0o777))
	files, err := demoFiles()
	require.NoError(t, err)
	for _, f := range files {
		require.NoError(t, os.WriteFile(filepath.Join("demo", f.Name), f.Data, 0o666))
	}
}

// example is one line of a command's Example.
type example struct {
	args []string
	exit int // what "# exits N" behind it says, or 0
}

func examples(t *testing.T, cmd *cobra.Command) []example {
	t.Helper()
	var list []example
	for line := range strings.Lines(cmd.Example) {
		line, comment, _ := strings.Cut(strings.TrimSpace(line), "  # exits ")
		ex := example{args: strings.Fields(line)}
		if comment != "" {
			n, err := strconv.Atoi(comment)
			require.NoError(t, err, "%s: %q", cmd.CommandPath(), comment)
			ex.exit = n
		}
		require.Equal(t, "calproof", ex.args[0], "%s: %q", cmd.CommandPath(), line)
		require.NotContains(t, line, "'", "the test does not take quotes apart")
		ex.args = ex.args[1:]
		list = append(list, ex)
	}
	return list
}

// TestExamples runs the examples of every command, in the order in which
// --help shows them, on a demo of its own.
func TestExamples(t *testing.T) {
	everyCommand(func(cmd *cobra.Command) {
		if cmd.Name() == "help" {
			return
		}
		t.Run(cmd.CommandPath(), func(t *testing.T) {
			demoHere(t)
			list := examples(t, cmd)
			require.NotEmpty(t, list, "%s has no example", cmd.CommandPath())
			for _, ex := range list {
				if cmd == cmd.Root() && ex.args[0] == "demo" {
					ex.args = append(ex.args, "--force") // the folder is there already
				}
				var out, messages bytes.Buffer
				got := run(ex.args, Streams{In: strings.NewReader(""), Out: &out, Err: &messages})
				assert.Equal(t, ex.exit, got, "calproof %s\n%s", strings.Join(ex.args, " "), messages.String())
				assert.NotEmpty(t, out.String(), ex.args)
				want := ""
				if at := slices.Index(ex.args, "--html"); at >= 0 {
					want = "wrote the page " + ex.args[at+1] + "\n"
				}
				assert.Equal(t, want, messages.String(), ex.args)
			}
		})
	})
}

// TestHelp holds every command's help to one form.
func TestHelp(t *testing.T) {
	everyCommand(func(cmd *cobra.Command) {
		if cmd.Name() == "help" {
			return
		}
		var out, messages bytes.Buffer
		args := append(strings.Fields(cmd.CommandPath())[1:], "--help")
		require.Equal(t, exitPass, run(args, Streams{Out: &out, Err: &messages}), cmd.CommandPath())
		assert.Empty(t, messages.String(), cmd.CommandPath())
		assert.Contains(t, out.String(), "Exit codes", cmd.CommandPath())
		assert.Contains(t, out.String(), "Examples:", cmd.CommandPath())
		assert.False(t, strings.HasSuffix(cmd.Short, "."), "%s: Short is no sentence", cmd.CommandPath())
		for line := range strings.Lines(out.String()) {
			if !strings.HasPrefix(line, "  calproof ") { // an example, or how the command is used
				assert.LessOrEqual(t, len(strings.TrimRight(line, "\n")), helpColumns, "%s: %q", cmd.CommandPath(), line)
			}
		}
		if !cmd.HasSubCommands() {
			assert.NotNil(t, cmd.Flags().Lookup("json"), "%s has no --json", cmd.CommandPath())
		}
	})
}

// TestPlainText proves that no command colours what does not go to a terminal.
func TestPlainText(t *testing.T) {
	demoHere(t)
	for colour, want := range map[bool]bool{false: false, true: true} {
		var out bytes.Buffer
		run([]string{"verify", "demo/edited-stale.bin", "--map", "demo/groomer.toml"}, Streams{Out: &out, Err: &out, Colour: colour})
		assert.Equal(t, want, strings.Contains(out.String(), "\x1b["), "colour %v", colour)
	}
}

func TestWantsColour(t *testing.T) {
	env := func(pairs ...string) func(string) string {
		return func(name string) string {
			for i := 0; i < len(pairs); i += 2 {
				if pairs[i] == name {
					return pairs[i+1]
				}
			}
			return ""
		}
	}
	assert.True(t, wantsColour(env("TERM", "xterm", "WT_SESSION", "x"), true))
	assert.False(t, wantsColour(env("TERM", "xterm", "WT_SESSION", "x"), false))
	assert.False(t, wantsColour(env("TERM", "xterm", "WT_SESSION", "x", "NO_COLOR", "1"), true))
	assert.False(t, wantsColour(env("TERM", "dumb", "WT_SESSION", "x"), true))
}
