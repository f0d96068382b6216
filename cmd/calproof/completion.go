package main

import (
	"bytes"
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
)

// CompletionOptions are the options of calproof completion.
type CompletionOptions struct {
	Output
	Shell string
}

func newCompletionCommand(streams Streams) *cobra.Command {
	opts := &CompletionOptions{}
	cmd := &cobra.Command{
		Use:   "completion SHELL",
		Short: "Print a completion script for bash, zsh, fish or powershell",
		Long: `Print a script that makes the shell complete commands, flags, algorithm names
and formats. Load it in the start-up file of the shell.

` + exitHelpDone,
		Example:   `  calproof completion bash`,
		Args:      takes("SHELL"),
		ValidArgs: []cobra.Completion{"bash", "zsh", "fish", "powershell"},
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Shell = args[0]
			return runCompletion(cmd.Context(), opts, cmd.Root(), streams)
		},
	}
	opts.AddFlags(cmd)
	return cmd
}

func runCompletion(_ context.Context, opts *CompletionOptions, root *cobra.Command, streams Streams) error {
	scripts := map[string]func(io.Writer) error{
		"bash":       func(w io.Writer) error { return root.GenBashCompletionV2(w, true) },
		"zsh":        root.GenZshCompletion,
		"fish":       func(w io.Writer) error { return root.GenFishCompletion(w, true) },
		"powershell": root.GenPowerShellCompletionWithDesc,
	}
	script, ok := scripts[opts.Shell]
	if !ok {
		return fmt.Errorf("completion: no script for shell %q; take bash, zsh, fish or powershell", opts.Shell)
	}
	var text bytes.Buffer
	if err := script(&text); err != nil {
		return err
	}
	return opts.print(streams, report.TextData{For: "completion", Text: text.String()})
}
