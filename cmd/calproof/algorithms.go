package main

import (
	"context"

	"github.com/spf13/cobra"

	"example.com/calproof/checksum"
	"example.com/calproof/diffmap/report"
)

// AlgorithmsOptions are the options of calproof algorithms.
type AlgorithmsOptions struct {
	Output
	Name string // "" lists all
}

func newAlgorithmsCommand(streams Streams) *cobra.Command {
	opts := &AlgorithmsOptions{}
	cmd := &cobra.Command{
		Use:   "algorithms [NAME]",
		Short: "List the checksum algorithms, or describe one",
		Long: `List every algorithm that sum and region maps know by name: the CRCs of the
published catalogue, sums and cryptographic hashes. With a name or alias, show
its parameters, check value and source.

` + exitHelpDone,
		Example: `  calproof algorithms
  calproof algorithms CRC-32/ISO-HDLC`,
		Args: takesUpTo(1),
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
			return algorithmNames(), cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				opts.Name = args[0]
			}
			return runAlgorithms(cmd.Context(), opts, streams)
		},
	}
	opts.AddFlags(cmd)
	return cmd
}

func runAlgorithms(_ context.Context, opts *AlgorithmsOptions, streams Streams) error {
	list := checksum.All()
	if opts.Name != "" {
		alg, err := checksum.Lookup(opts.Name)
		if err != nil {
			return err
		}
		list = []checksum.Algorithm{alg}
	}
	return opts.print(streams, report.Algorithms(opts.Name, list...))
}
