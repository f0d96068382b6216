package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/safefile"
	"example.com/calproof/maps/demo"
)

// DemoOptions are the options of calproof demo.
type DemoOptions struct {
	Output
	Dir   string
	Force bool
}

func newDemoCommand(streams Streams) *cobra.Command {
	opts := &DemoOptions{}
	cmd := &cobra.Command{
		Use:   "demo DIR",
		Short: "Write the demo scenario and run the main job on it",
		Long: `Write the demo scenario into DIR: the region map of an invented snow groomer's
drive controller, reads of it good and bad, and edits good and bad. Then run
verify, diff and gate on them and print each command with its verdict.

Exit codes: 0 every verdict is as the scenario says, 1 one is not, 2 could not
run.`,
		Example: `  calproof demo ./demo --force`,
		Args:    takes("DIR"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Dir = args[0]
			return runDemo(cmd.Context(), opts, streams)
		},
	}
	opts.AddFlags(cmd)
	cmd.Flags().BoolVar(&opts.Force, "force", false, "replace files of an earlier demo")
	return cmd
}

// demoStep is one command that the demo runs and what must come of it.
type demoStep struct {
	Args []string `json:"args"` // without the program's name
	Exit int      `json:"exit"`
	Want int      `json:"want"`
	Says string   `json:"says"` // the exit code as a word
}

// demoSteps returns the main job on the scenario in dir, in order.
func demoSteps(dir string) []demoStep {
	in := func(name string) string { return filepath.Join(dir, name) }
	m := in(demo.MapName)
	verify := func(name string, want int) demoStep {
		return demoStep{Args: []string{"verify", in(name), "--map", m}, Want: want}
	}
	gate := func(name string, want int) demoStep {
		return demoStep{Args: []string{"gate", in("backup.bin"), in(name), "--map", m,
			"--second-read", in("second-read.bin"), "--supply-volts", "13.2", "--adapter-latency-ms", "0.8"}, Want: want}
	}
	return []demoStep{
		verify("backup.bin", exitPass),
		verify("second-read.bin", exitPass),
		verify("short-read.bin", exitFail),
		verify("stuck-line-read.bin", exitFail),
		verify("edited.bin", exitPass),
		verify("edited-stale.bin", exitFail),
		verify("edited-boot.bin", exitPass),
		{Args: []string{"diff", in("backup.bin"), in("edited.bin"), "--map", m}, Want: exitFail},
		gate("edited.bin", exitUnproven),
		gate("edited-stale.bin", exitFail),
		gate("edited-boot.bin", exitFail),
	}
}

func runDemo(ctx context.Context, opts *DemoOptions, streams Streams) error {
	if err := writeDemo(opts); err != nil {
		return err
	}
	steps := demoSteps(opts.Dir)
	wrong := 0
	for i := range steps {
		s := &steps[i]
		if err := ctx.Err(); err != nil {
			return err
		}
		var messages bytes.Buffer
		s.Exit = run(s.Args, Streams{In: strings.NewReader(""), Out: io.Discard, Err: &messages})
		s.Says = exitWord(s.Args[0], s.Exit)
		if s.Exit != s.Want {
			wrong++
			_, _ = messages.WriteTo(streams.Err)
		}
	}
	verdict := evidence.Pass
	if wrong > 0 {
		verdict = evidence.Fail
	}
	if opts.JSON {
		if err := writeJSON(streams, "demo", verdict, nil, map[string]any{"dir": opts.Dir, "steps": steps}); err != nil {
			return err
		}
		return exitFor(verdict)
	}
	if err := printDemo(streams.Out, opts.Dir, steps); err != nil {
		return err
	}
	if wrong > 0 {
		fmt.Fprintf(streams.Err, "calproof: demo: %d of %d verdicts are not what the scenario says; this is a defect of calproof\n", wrong, len(steps))
	}
	return exitFor(verdict)
}

// writeDemo writes the files of the scenario. Unless forced it writes none if
// any of them is there already.
func writeDemo(opts *DemoOptions) error {
	files, err := demo.Files()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(opts.Dir, 0o777); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	var there []error
	for _, f := range files {
		path := filepath.Join(opts.Dir, f.Name)
		if _, err := os.Lstat(path); err == nil && !opts.Force {
			there = append(there, fmt.Errorf("%s exists", path))
		}
	}
	if len(there) > 0 {
		return fmt.Errorf("demo: %w\nname another folder, or replace the files with --force", errors.Join(there...))
	}
	for _, f := range files {
		write := func(w io.Writer) error {
			_, err := w.Write(f.Data)
			return err
		}
		if err := safefile.Write(filepath.Join(opts.Dir, f.Name), safefile.Options{Force: opts.Force}, write); err != nil {
			return fmt.Errorf("demo: %w", err)
		}
	}
	return nil
}

func printDemo(w io.Writer, dir string, steps []demoStep) error {
	var b strings.Builder
	fmt.Fprintf(&b, "The demo scenario is in %s: the drive controllers of a ski hill's snow groomers.\n", dir)
	b.WriteString("The main job on it, each command with its verdict:\n\n")
	for _, s := range steps {
		b.WriteString(wrapCommand(s.Args))
		fmt.Fprintf(&b, "    %s (exit %d)", s.Says, s.Exit)
		if s.Exit != s.Want {
			fmt.Fprintf(&b, ", but the scenario says %s (exit %d)", exitWord(s.Args[0], s.Want), s.Want)
		}
		b.WriteString("\n")
	}
	look := func(args ...string) { b.WriteString(wrapCommand(args)) }
	b.WriteString("\nLook next: what the edit changed, what the gate demands, why a read is bad,\nand how a region map is written.\n\n")
	m := filepath.Join(dir, demo.MapName)
	look(steps[7].Args...)
	look(steps[8].Args...)
	look("verify", filepath.Join(dir, "short-read.bin"), "--map", m)
	look("map", "check", m, "--image", filepath.Join(dir, "backup.bin"))
	_, err := io.WriteString(w, b.String())
	return err
}

// wrapCommand gives a command as one types it, broken before flags so that it
// fits 80 columns where it can.
func wrapCommand(args []string) string {
	line := "  calproof"
	var b strings.Builder
	for i := 0; i < len(args); i++ {
		part := quoteArg(args[i])
		if strings.HasPrefix(part, "--") && i+1 < len(args) {
			i++
			part += " " + quoteArg(args[i])
		}
		if len(line)+1+len(part) > 76 {
			b.WriteString(line + " \\\n")
			line = "     "
		}
		line += " " + part
	}
	b.WriteString(line + "\n")
	return b.String()
}

// quoteArg quotes what a POSIX shell would take apart.
func quoteArg(s string) string {
	if s != "" && !strings.ContainsAny(s, " \t\n\"'`$&|;<>()*?[]#~!{}") {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
