package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

// helpColumns is how wide help is laid out.
const helpColumns = 80

// usage writes what follows the description in a command's help.
func usage(cmd *cobra.Command) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Usage:\n  %s\n", cmd.UseLine())
	if cmd.HasExample() {
		fmt.Fprintf(&b, "\nExamples:\n%s\n", strings.TrimRight(cmd.Example, "\n"))
	}
	if cmd.HasAvailableSubCommands() {
		b.WriteString("\nCommands:\n")
		for _, c := range cmd.Commands() {
			if c.IsAvailableCommand() || c.Name() == "help" {
				fmt.Fprintf(&b, "  %-*s  %s\n", cmd.NamePadding(), c.Name(), c.Short)
			}
		}
	}
	if cmd.HasAvailableLocalFlags() {
		fmt.Fprintf(&b, "\nFlags:\n%s", cmd.LocalFlags().FlagUsagesWrapped(helpColumns))
	}
	_, err := fmt.Fprint(cmd.OutOrStderr(), b.String())
	return err
}

// newHelpCommand makes the command "help": cobra's own takes a name that it
// does not know for success.
func newHelpCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "help [COMMAND]",
		Short: "Show the help of a command",
		RunE: func(cmd *cobra.Command, args []string) error {
			found, rest, err := cmd.Root().Find(args)
			if err != nil {
				return err
			}
			if len(rest) > 0 {
				return unknownCommand(found, rest[0])
			}
			found.InitDefaultHelpFlag()
			return found.Help()
		},
	}
}

// unknownCommand is the error for a name that the group cmd does not know.
func unknownCommand(cmd *cobra.Command, name string) error {
	msg := fmt.Sprintf("unknown command %q for %q", name, cmd.CommandPath())
	if near := cmd.SuggestionsFor(name); len(near) > 0 {
		msg += fmt.Sprintf("; did you mean %q?", strings.Join(near, `" or "`))
	}
	return fmt.Errorf("%s; see '%s --help'", msg, cmd.CommandPath())
}
