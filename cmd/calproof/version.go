package main

import (
	"context"
	"fmt"
	"runtime"

	"github.com/spf13/cobra"
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
		Use:     "version",
		Short:   "Print the version",
		Long:    "Print the version of calproof, the Go release it was built with, and the platform.\n\n" + exitHelpDone,
		Example: `  calproof version`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runVersion(cmd.Context(), opts, streams)
		},
	}
	opts.AddFlags(cmd)
	return cmd
}

func runVersion(_ context.Context, opts *VersionOptions, streams Streams) error {
	type data struct {
		Version string `json:"version"`
		Go      string `json:"go"`
		OS      string `json:"os"`
		Arch    string `json:"arch"`
	}
	d := data{version, runtime.Version(), runtime.GOOS, runtime.GOARCH}
	if opts.JSON {
		return writeJSON(streams, "version", "", nil, d)
	}
	_, err := fmt.Fprintf(streams.Out, "calproof %s (%s, %s/%s)\n", d.Version, d.Go, d.OS, d.Arch)
	return err
}
