package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/readcheck"
)

// ReadbackOptions are the options of calproof readback.
type ReadbackOptions struct {
	Output
	Input
	Picture
	Written, Read string
}

func newReadbackCommand(streams Streams) *cobra.Command {
	opts := &ReadbackOptions{}
	cmd := &cobra.Command{
		Use:   "readback WRITTEN READ --map MAP",
		Short: "Prove that a controller holds what was written to it",
		Long: `Compare the image that was written to a controller with what is read back from
it, before the controller is switched off. Adaptation regions are set aside.
What the map describes and neither image holds leaves the verdict unproven: a
part may have been written on purpose.
When it fails: do not switch off, keep the supply up, write again or restore the
backup (common practice, no source). One of the images may be - for standard
input.

` + exitHelpCheck,
		Example: `  calproof readback demo/backup.bin demo/second-read.bin --map demo/groomer.toml
  calproof readback demo/edited.bin demo/backup.bin --map demo/groomer.toml  # exits 1`,
		Args: takes("WRITTEN", "READ"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Written, opts.Read = args[0], args[1]
			return runReadback(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	opts.Picture.AddFlags(cmd)
	return cmd
}

func runReadback(_ context.Context, opts *ReadbackOptions, streams Streams) error {
	if err := distinctFiles([]string{opts.Written, opts.Read}); err != nil {
		return fmt.Errorf("readback: %w", err)
	}
	m, err := opts.needMap("readback")
	if err != nil {
		return err
	}
	written, read, err := opts.openPair(streams, opts.Written, opts.Read, m)
	if err != nil {
		return err
	}
	defer written.Close()
	defer read.Close()
	result, err := readcheck.CompareReadback(m, written.Image, read.Image)
	if err != nil {
		return err
	}
	data := report.ReadbackData{Written: opts.Written, Read: opts.Read, Map: report.SummaryOf(m), Readback: result}
	if data.Strip, err = opts.draw(m, read.Image, nil, result.Ranges); err != nil {
		return err
	}
	return opts.print(streams, data)
}
