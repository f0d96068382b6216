package main

import (
	"context"
	"runtime"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
)

// version is the version of calproof, in every JSON document too.
const version = "0.1.0"

// VersionOptions are the options of calproof version.
type VersionOptions struct {
	Output
}

func newVersionCommand(streams Streams) *cobra.Command {
	opts := &VersionOptions{}
	cmd := &cobra.Command{
		Use:   "version",
		Short: "Print the version",
		Long: `Print the version of calproof, the Go release it was built with, and the
platform.

` + exitHelpDone,
		Example: `  calproof version`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runVersion(cmd.Context(), opts, streams)
		},
	}
	opts.AddFlags(cmd)
	return cmd
}

// built names the version and what it was built with.
func built() report.VersionData {
	return report.VersionData{Version: version, Go: runtime.Version(), OS: runtime.GOOS, Arch: runtime.GOARCH}
}

func runVersion(_ context.Context, opts *VersionOptions, streams Streams) error {
	return opts.print(streams, built())
}
