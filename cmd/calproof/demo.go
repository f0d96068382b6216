package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
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

// demoSteps returns the main job on the scenario in dir, in order.
func demoSteps(dir string) []report.DemoStep {
	in := func(name string) string { return filepath.Join(dir, name) }
	m := in(demo.MapName)
	verify := func(name string, want int) report.DemoStep {
		return report.DemoStep{Args: []string{"verify", in(name), "--map", m}, Want: want}
	}
	gate := func(name string, want int) report.DemoStep {
		return report.DemoStep{Args: []string{"gate", in("backup.bin"), in(name), "--map", m,
			"--second-read", in("second-read.bin"), "--supply-volts", "13.2", "--adapter-latency-ms", "0.8"}, Want: want}
	}
	return []report.DemoStep{
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
	data := report.DemoData{Dir: opts.Dir, Steps: demoSteps(opts.Dir)}
	var err error
	if data.Files, err = writeDemo(ctx, opts); err != nil {
		return err
	}
	// What the files prove by themselves, not what an archive knows of them.
	if dir, ok := os.LookupEnv(archiveEnv); ok {
		if err := os.Unsetenv(archiveEnv); err != nil {
			return err
		}
		defer os.Setenv(archiveEnv, dir)
	}
	for i := range data.Steps {
		s := &data.Steps[i]
		s.Exit = run(s.Args, Streams{In: strings.NewReader(""), Out: io.Discard, Err: streams.Err})
		s.Says = exitWord(s.Args[0], s.Exit)
	}
	for _, s := range data.Steps { // what differs, and what the gate does not pass at once
		if s.Args[0] == "diff" || s.Want == exitUnproven {
			data.Next = append(data.Next, s.Args)
		}
	}
	in := func(name string) string { return filepath.Join(opts.Dir, name) }
	data.Next = append(data.Next,
		[]string{"verify", in("short-read.bin"), "--map", in(demo.MapName)},
		[]string{"map", "check", in(demo.MapName), "--image", in("backup.bin")})
	return opts.print(streams, data)
}

// writeDemo writes the files of the scenario. Unless forced it writes none if
// any of them is there already.
func writeDemo(ctx context.Context, opts *DemoOptions) ([]string, error) {
	files, err := demo.Files()
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(opts.Dir, 0o777); err != nil {
		return nil, fmt.Errorf("demo: %w", err)
	}
	var there []error
	for _, f := range files {
		path := filepath.Join(opts.Dir, f.Name)
		if _, err := os.Lstat(path); err == nil && !opts.Force {
			there = append(there, fmt.Errorf("%s exists", path))
		}
	}
	if len(there) > 0 {
		return nil, fmt.Errorf("demo: %w\nname another folder, or replace the files with --force", errors.Join(there...))
	}
	var names []string
	for _, f := range files {
		names = append(names, f.Name)
		write := func(w io.Writer) error {
			_, err := w.Write(f.Data)
			return err
		}
		if err := writeFile(ctx, filepath.Join(opts.Dir, f.Name), safefile.Options{Force: opts.Force}, write); err != nil {
			return nil, fmt.Errorf("demo: %w", err)
		}
	}
	return names, nil
}
