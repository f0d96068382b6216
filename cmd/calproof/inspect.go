package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/report"
)

// InspectOptions are the options of calproof inspect.
type InspectOptions struct {
	Output
	Input
	Picture
	Path        string
	Tables, CSV bool
}

func newInspectCommand(streams Streams) *cobra.Command {
	opts := &InspectOptions{}
	cmd := &cobra.Command{
		Use:   "inspect IMAGE",
		Short: "Show what a file holds",
		Long: `Show the format of an image file and what else its bytes could be, which
addresses it holds, a picture of it, its hashes and the entropy of its parts.
With a region map also identity fields and tables, decoded; --tables lists every
cell of them and nothing else, as text, CSV (--csv) or JSON. IMAGE may be - for
standard input. It shows and judges nothing: see verify.

Entropy is Shannon's, in bits a byte: 0 where all bytes are the same, close to 8
where they are random, compressed or encrypted.

` + exitHelpDone,
		Example: `  calproof inspect demo/backup.bin
  calproof inspect demo/backup.bin --map demo/groomer.toml
  calproof inspect demo/backup.bin --map demo/groomer.toml --tables
  calproof inspect demo/backup.bin --map demo/groomer.toml --tables --csv`,
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
	cmd.Flags().BoolVar(&opts.Tables, "tables", false, "list identity fields and every table cell, one a line, and nothing else")
	cmd.Flags().BoolVar(&opts.CSV, "csv", false, "with --tables: as comma-separated values")
	return cmd
}

func runInspect(_ context.Context, opts *InspectOptions, streams Streams) error {
	switch {
	case opts.CSV && !opts.Tables:
		return errors.New("inspect: --csv is a form of the listing; add --tables")
	case opts.CSV && opts.JSON:
		return errors.New("inspect: --csv and --json contradict one another; give one of them")
	case opts.Tables && opts.Map == "":
		return errors.New("inspect: --tables decodes what a region map names; name the map with --map")
	}
	im, err := opts.load(streams, opts.Path)
	if err != nil {
		return err
	}
	defer im.Close()
	data, err := report.Inspect(opts.Path, im)
	if err != nil {
		return err
	}
	if opts.CSV {
		return data.CSV(streams.Out)
	}
	if opts.Tables {
		data.Listing = diffmap.Listing(im)
	}
	if data.Strip, err = opts.draw(im.Map, im.Image, nil, nil); err != nil {
		return err
	}
	return opts.print(streams, data)
}
