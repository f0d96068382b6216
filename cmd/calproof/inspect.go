package main

import (
	"context"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
)

// InspectOptions are the options of calproof inspect.
type InspectOptions struct {
	Output
	Input
	Picture
	Path string
}

func newInspectCommand(streams Streams) *cobra.Command {
	opts := &InspectOptions{}
	cmd := &cobra.Command{
		Use:   "inspect IMAGE",
		Short: "Show what a file holds",
		Long: `Show the format of an image file, which addresses it holds, its header, start
address and SHA-256. With a region map also identity fields and tables, decoded.
IMAGE may be - for standard input. It shows and judges nothing: see verify.

` + exitHelpDone,
		Example: `  calproof inspect demo/backup.bin
  calproof inspect demo/backup.bin --map demo/groomer.toml`,
		Args: takes("IMAGE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Path = args[0]
			return runInspect(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	opts.Picture.AddFlags(cmd)
	return cmd
}

func runInspect(_ context.Context, opts *InspectOptions, streams Streams) error {
	m, err := opts.loadMap()
	if err != nil {
		return err
	}
	im, err := opts.open(streams, opts.Path, m)
	if err != nil {
		return err
	}
	defer im.Close()
	id, err := identify("image", opts.Path, im.file())
	if err != nil {
		return err
	}
	data := report.Inspect(opts.Path, id.SHA256, im.file())
	if im.bound != nil {
		data = data.WithMap(im.bound)
	}
	if data.Strip, err = opts.draw(m, im.Image, nil, nil); err != nil {
		return err
	}
	return opts.print(streams, data)
}
