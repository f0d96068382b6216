package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/edits"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/safefile"
)

// defaultEdits is the edits file that is used if none is named.
const defaultEdits = "edits.toml"

func newEditsCommand(streams Streams) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "edits COMMAND",
		Short: "Record what named changes do, and find them in images",
		Long: `An edits file (TOML) keeps what known changes do to an image, each under a name:
the ranges, the bytes before and after or only their hashes, the table cells in
units, and hashes of the bytes around, by which the change is found in other
software versions too. Edits are recorded and explained, never applied.

` + exitHelpDone,
		Example: `  calproof edits record demo/backup.bin demo/edited.bin --map demo/groomer.toml --name spring-tune
  calproof edits find demo/edited.bin --map demo/groomer.toml`,
	}
	cmd.AddCommand(newEditsRecordCommand(streams), newEditsFindCommand(streams))
	return cmd
}

// EditsRecordOptions are the options of calproof edits record.
type EditsRecordOptions struct {
	Output
	Input
	edits.RecordOptions
	Original, Modified, File string
}

func newEditsRecordCommand(streams Streams) *cobra.Command {
	opts := &EditsRecordOptions{}
	cmd := &cobra.Command{
		Use:   "record ORIGINAL MODIFIED --name NAME",
		Short: "Record what was changed from one image to another, under a name",
		Long: `Add an edit to the edits file: what differs from ORIGINAL to MODIFIED. Record
one change at a time, each against the same original. With a map, stored
checksum values and adaptation regions are left out, and table cells are named
in units.

` + exitHelpDone,
		Example: `  calproof edits record demo/backup.bin demo/edited.bin --map demo/groomer.toml --name spring-tune`,
		Args:    takes("ORIGINAL", "MODIFIED"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Original, opts.Modified = args[0], args[1]
			return runEditsRecord(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	cmd.Flags().StringVar(&opts.Name, "name", "", "`name` of the edit, unique in the file")
	cmd.Flags().StringVar(&opts.Note, "note", "", "a `text` to keep with it")
	cmd.Flags().StringVar(&opts.File, "file", defaultEdits, "edits `file`; it is made if it does not exist, and its comments are kept")
	cmd.Flags().BoolVar(&opts.HashOnly, "hash-only", false, "keep hashes instead of bytes (a hash of few bytes can be guessed)")
	return cmd
}

func runEditsRecord(ctx context.Context, opts *EditsRecordOptions, streams Streams) error {
	if opts.Name == "" {
		return errors.New("edits record: the edit needs a name; give one with --name")
	}
	m, err := opts.loadMap()
	if err != nil {
		return err
	}
	original, modified, err := opts.openPair(streams, opts.Original, opts.Modified, m)
	if err != nil {
		return err
	}
	defer original.Close()
	defer modified.Close()
	rec, err := edits.Record(original.Image, modified.Image, m, opts.RecordOptions)
	if err != nil {
		return err
	}
	old, err := os.ReadFile(opts.File)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("edits file: %w", err)
	}
	text, err := rec.Edit.AppendTo(opts.File, old)
	if err != nil {
		return err
	}
	// The edits file is the program's own to extend; what was read is not.
	safe := safefile.Options{Force: true, Inputs: []string{opts.Original, opts.Modified}}
	if opts.Map != "" {
		safe.Inputs = append(safe.Inputs, opts.Map)
	}
	err = writeFile(ctx, opts.File, safe, func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
	if err != nil {
		return fmt.Errorf("edits file: %w", err)
	}
	return opts.print(streams, report.EditsRecord(opts.File, opts.Original, opts.Modified, report.SummaryOf(m), rec))
}

// EditsFindOptions are the options of calproof edits find.
type EditsFindOptions struct {
	Output
	Input
	Path, File string
}

func newEditsFindCommand(streams Streams) *cobra.Command {
	opts := &EditsFindOptions{}
	cmd := &cobra.Command{
		Use:   "find IMAGE",
		Short: "Say of every recorded edit whether it is in an image",
		Long: `Say of every edit in the edits file whether it is in IMAGE: present, absent,
partly (and which ranges), overlaid by another edit, or different from both
sides. An edit is looked for where it was recorded, and where the bytes around
it are found if that is elsewhere; how sure that is, is stated.

` + exitHelpDone,
		Example: `  calproof edits record demo/backup.bin demo/edited.bin --map demo/groomer.toml --name spring-tune --file tunes.toml
  calproof edits find demo/edited-boot.bin --map demo/groomer.toml --file tunes.toml`,
		Args: takes("IMAGE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Path = args[0]
			return runEditsFind(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	cmd.Flags().StringVar(&opts.File, "file", defaultEdits, "edits `file`")
	return cmd
}

func runEditsFind(_ context.Context, opts *EditsFindOptions, streams Streams) error {
	m, err := opts.loadMap()
	if err != nil {
		return err
	}
	file, err := edits.Load(opts.File)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w, or record an edit with 'calproof edits record'", err)
	}
	if err != nil {
		return err
	}
	im, err := opts.open(streams, opts.Path, m)
	if err != nil {
		return err
	}
	defer im.Close()
	found, err := edits.Find(im.Image, file)
	if err != nil {
		return err
	}
	return opts.print(streams, report.EditsFindData{Image: opts.Path, File: opts.File, Edits: found})
}
