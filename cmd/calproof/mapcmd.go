package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/safefile"
	"example.com/calproof/maps"
)

func newMapCommand(streams Streams) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "map COMMAND",
		Short: "Check, compare and start region maps, print their schema",
		Long: `A region map is a TOML file, written by you, that says what lies where in an
image: regions, checksum rules, tables, identity fields.

` + exitHelpRoot,
		Example: `  calproof map check demo/groomer.toml --image demo/backup.bin
  calproof map new --image demo/backup.bin`,
	}
	group(cmd)
	cmd.AddCommand(newMapCheckCommand(streams), newMapDiffCommand(streams), newMapNewCommand(streams), newMapSchemaCommand(streams))
	return cmd
}

// MapCheckOptions are the options of calproof map check.
type MapCheckOptions struct {
	Output
	Input
	Path, Image string
}

func newMapCheckCommand(streams Streams) *cobra.Command {
	opts := &MapCheckOptions{}
	cmd := &cobra.Command{
		Use:   "check MAP [--image IMAGE]",
		Short: "Check a region map, and whether it fits an image",
		Long: `Check a region map and list every mistake in it, each with file, line, column
and key. With an image also whether the map fits it: size and coverage, and
whether tables and identity fields decode. Checksums are for verify. MAP or
IMAGE may be - for standard input.

` + exitHelpVerdict,
		Example: `  calproof map check demo/groomer.toml
  calproof map check demo/groomer.toml --image demo/backup.bin`,
		Args: takes("MAP"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Path = args[0]
			return runMapCheck(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	cmd.Flags().StringVar(&opts.Image, "image", "", "`image` that the map has to fit; - for standard input")
	return cmd
}

func runMapCheck(_ context.Context, opts *MapCheckOptions, streams Streams) error {
	if opts.Path == stdin && opts.Image == stdin {
		return errors.New("map check: standard input cannot be both the map and the image; name a file for one of them")
	}
	m, err := loadMapFrom(streams, opts.Path)
	mistakes, ok := errors.AsType[*maps.MapError](err)
	if err != nil && !ok {
		return err
	}
	data := report.MapCheck(opts.Path, m, mistakes)
	if m != nil && opts.Image != "" {
		im, err := opts.open(streams, opts.Image, m)
		if err != nil {
			return err
		}
		defer im.Close()
		data = data.WithImage(opts.Image, im)
	}
	return opts.print(streams, data)
}

// loadMapFrom loads a map from a file or from standard input.
func loadMapFrom(streams Streams, path string) (*maps.Map, error) {
	if path != stdin {
		return maps.Load(path)
	}
	text, err := io.ReadAll(io.LimitReader(streams.In, maps.MaxMapBytes+1)) // Parse refuses one that is longer
	if err != nil {
		return nil, fmt.Errorf("standard input: %w", err)
	}
	return maps.Parse("standard input", text)
}

// MapDiffOptions are the options of calproof map diff.
type MapDiffOptions struct {
	Output
	Original, Modified string
}

func newMapDiffCommand(streams Streams) *cobra.Command {
	opts := &MapDiffOptions{}
	cmd := &cobra.Command{
		Use:   "diff ORIGINAL MODIFIED",
		Short: "Show how what two region maps say differs",
		Long: `Compare two region maps by what they say: comments, the order of keys and the
way a number is written make no difference.

` + exitHelpDiff,
		Example: `  calproof map diff demo/groomer.toml demo/groomer.toml`,
		Args:    takes("ORIGINAL", "MODIFIED"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Original, opts.Modified = args[0], args[1]
			return runMapDiff(cmd.Context(), opts, streams)
		},
	}
	opts.AddFlags(cmd)
	return cmd
}

func runMapDiff(_ context.Context, opts *MapDiffOptions, streams Streams) error {
	original, err := maps.Load(opts.Original)
	if err != nil {
		return err
	}
	modified, err := maps.Load(opts.Modified)
	if err != nil {
		return err
	}
	listing := diffmap.DiffMaps(opts.Original, original, opts.Modified, modified)
	return opts.print(streams, report.MapDiffData{Original: opts.Original, Modified: opts.Modified, Equal: listing == "", Listing: listing})
}

// MapNewOptions are the options of calproof map new.
type MapNewOptions struct {
	Output
	Input
	Image, Out string
	Force      bool
}

func newMapNewCommand(streams Streams) *cobra.Command {
	opts := &MapNewOptions{}
	cmd := &cobra.Command{
		Use:   "new --image IMAGE [--out FILE]",
		Short: "Write a commented starting map for an image",
		Long: `Write a region map to start from: size and base of the image, and one region for
each stretch that holds something, with comments on what to fill in. What the
regions are is for you to find out.

` + exitHelpDone,
		Example: `  calproof map new --image demo/backup.bin
  calproof map new --image demo/backup.bin --out demo/start.toml`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runMapNew(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	cmd.Flags().StringVar(&opts.Image, "image", "", "`image` to write a map for; - for standard input (needed)")
	cmd.Flags().StringVar(&opts.Out, "out", "", "`file` to write the map to instead of standard output")
	cmd.Flags().BoolVar(&opts.Force, "force", false, "replace an existing file")
	return cmd
}

func runMapNew(ctx context.Context, opts *MapNewOptions, streams Streams) error {
	if opts.Image == "" {
		return errors.New("map new: no image; name it with --image")
	}
	im, err := opts.open(streams, opts.Image, nil)
	if err != nil {
		return err
	}
	defer im.Close()
	draft, err := maps.Draft(im.Image)
	if err != nil {
		return fmt.Errorf("map new: %w", err)
	}
	if opts.Out == "" {
		return opts.print(streams, report.TextData{For: "map new", Text: string(draft)})
	}
	safe := safefile.Options{Force: opts.Force, Inputs: []string{opts.Image}}
	err = writeFile(ctx, opts.Out, safe, func(w io.Writer) error {
		_, err := w.Write(draft)
		return err
	})
	if err != nil {
		return fmt.Errorf("map new: %w", err)
	}
	return opts.print(streams, report.TextData{For: "map new", File: opts.Out, Text: string(draft)})
}

// MapSchemaOptions are the options of calproof map schema.
type MapSchemaOptions struct {
	Output
}

func newMapSchemaCommand(streams Streams) *cobra.Command {
	opts := &MapSchemaOptions{}
	cmd := &cobra.Command{
		Use:   "schema",
		Short: "Print the JSON Schema of region maps",
		Long: `Print the JSON Schema of region maps. Editors that know it complete and explain
the keys of a map whose first line names it: #:schema ./region-map.json

` + exitHelpDone,
		Example: `  calproof map schema`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runMapSchema(cmd.Context(), opts, streams)
		},
	}
	opts.AddFlags(cmd)
	return cmd
}

func runMapSchema(_ context.Context, opts *MapSchemaOptions, streams Streams) error {
	return opts.print(streams, report.TextData{For: "map schema", Text: string(maps.Schema())})
}
