package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
)

// run executes the command line args and returns the exit code. An interrupt
// ends the process at once, except while something temporary lies on the disk
// (see [interruptible]). Messages go out with control characters escaped: they
// quote file names and file content.
func run(args []string, streams Streams) int {
	root := newRootCommand(streams)
	root.SetArgs(args)
	cmd, err := root.ExecuteContextC(context.Background())
	if errors.Is(err, context.Canceled) {
		err = fmt.Errorf("%w (%w)", errInterrupted, err)
	}
	if _, silent := errors.AsType[exitError](err); err != nil && !silent {
		for line := range strings.Lines("calproof: " + plainly(err)) {
			fmt.Fprintln(streams.Err, report.Clean(strings.TrimSuffix(line, "\n")))
		}
		if wantsJSON(args) {
			failure := report.Failure{Version: version, Error: err.Error()}
			if !cmd.HasSubCommands() {
				failure.Command = commandName(cmd)
			}
			// If standard output takes nothing, standard error and the exit code have said it.
			_ = report.FailureJSON(streams.Out, failure)
		}
	}
	return exitCode(err)
}

// wantsJSON reports whether --json is among the arguments. It does not ask the
// command: what could not run may be the reading of its flags.
func wantsJSON(args []string) bool {
	for _, a := range args {
		if a == "--" {
			return false
		}
		if a == "--json" || a == "--json=true" {
			return true
		}
	}
	return false
}

// newRootCommand assembles the command line.
func newRootCommand(streams Streams) *cobra.Command {
	root := &cobra.Command{
		Use:   "calproof COMMAND",
		Short: "Prove reads and edits of engine controller images",
		Long: `calproof inspects firmware images of engine controllers (read on the bench, from
salvaged units) and answers with computed evidence: is a read complete and
true, what did an edit change, do the checksums agree. It reads files, never
talks to a controller, and never changes its inputs.

What may be read, changed and written differs from place to place, and work on
vehicles can hurt people: find out what the law says where you are, and leave to
trained and licensed people what is theirs. LEGAL.md of the source says more.

` + exitHelpRoot,
		Example: `  calproof demo ./demo
  calproof verify demo/backup.bin --map demo/groomer.toml
  calproof diff demo/backup.bin demo/edited.bin --map demo/groomer.toml  # exits 1`,
		Version:       built().String(), // for --version, which every program is asked for
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	group(root)
	root.SetVersionTemplate("{{.Version}}\n")
	root.SetUsageFunc(usage)
	root.SetHelpCommand(newHelpCommand())
	root.CompletionOptions.DisableDefaultCmd = true // completion.go has ours
	root.SetIn(streams.In)
	root.SetOut(streams.Out)
	root.SetErr(streams.Err)
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		if args := cmd.Flags().Args(); cmd.HasSubCommands() && len(args) > 0 {
			return unknownCommand(cmd, args[0]) // whose flags are not known either
		}
		return fmt.Errorf("%w; see '%s --help'", err, cmd.CommandPath())
	})
	root.AddCommand(
		newAgreeCommand(streams),
		newAlgorithmsCommand(streams),
		newArchiveCommand(streams),
		newCompletionCommand(streams),
		newConvertCommand(streams),
		newDemoCommand(streams),
		newDiffCommand(streams),
		newGateCommand(streams),
		newEditsCommand(streams),
		newResealCommand(streams),
		newInspectCommand(streams),
		newMapCommand(streams),
		newPlanCommand(streams),
		newReadbackCommand(streams),
		newSumCommand(streams),
		newVerifyCommand(streams),
		newVersionCommand(streams),
	)
	return root
}

// group makes cmd a command that only holds others: alone it shows its help,
// and a name it does not know is an error that suggests near ones.
func group(cmd *cobra.Command) {
	cmd.Args = cobra.ArbitraryArgs
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 {
			cmd.SetOut(cmd.ErrOrStderr())
			if err := cmd.Help(); err != nil {
				return err
			}
			return exitError(exitCouldNotRun)
		}
		return unknownCommand(cmd, args[0])
	}
	cmd.SuggestionsMinimumDistance = 2
}

// takes returns a check that a command was given exactly the named arguments.
func takes(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) < len(names) {
			return fmt.Errorf("%s: %s is missing; write '%s'", commandName(cmd), names[len(args)], cmd.UseLine())
		}
		return takesUpTo(len(names))(cmd, args)
	}
}

// commandName returns the name of a command as messages give it, such as "map
// check".
func commandName(cmd *cobra.Command) string {
	return strings.TrimPrefix(cmd.CommandPath(), cmd.Root().Name()+" ")
}

// takesUpTo returns a check that a command was given at most n arguments.
func takesUpTo(n int) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) > n {
			return fmt.Errorf("%s: %q is one argument too many; write '%s'", commandName(cmd), args[n], cmd.UseLine())
		}
		return nil
	}
}
