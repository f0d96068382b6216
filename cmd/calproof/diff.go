package main

import (
	"context"
	"errors"
	"slices"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/edits"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// DiffOptions are the options of calproof diff.
type DiffOptions struct {
	Output
	Input
	Page
	Picture
	diffmap.Options
	Original, Modified string
	Listing            bool
	Edits              string
}

func newDiffCommand(streams Streams) *cobra.Command {
	opts := &DiffOptions{}
	cmd := &cobra.Command{
		Use:   "diff ORIGINAL MODIFIED [--map MAP]",
		Short: "Show what changed, by region and by table cell",
		Long: `Show what changed from one image to another: the changed addresses and the bytes
changed in each region; with a region map also table cells in physical units,
identity fields and checksums, before and after. One of the two may be - for
standard input.

` + exitHelpDiff,
		Example: `  calproof diff demo/backup.bin demo/edited.bin --map demo/groomer.toml  # exits 1
  calproof diff demo/backup.bin demo/edited.bin --map demo/groomer.toml --listing  # exits 1
  calproof diff demo/backup.bin demo/edited.bin --map demo/groomer.toml --html edited.html  # exits 1
  calproof diff demo/backup.bin demo/edited.bin  # exits 1
  calproof diff demo/backup.bin demo/backup.bin`,
		Args: takes("ORIGINAL", "MODIFIED"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Original, opts.Modified = args[0], args[1]
			return runDiff(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	opts.Page.AddFlags(cmd)
	opts.Picture.AddFlags(cmd)
	cmd.Flags().Uint64Var(&opts.JoinGap, "join-gap", 0, "count changes with at most this `number` of equal bytes between them as one")
	cmd.Flags().BoolVar(&opts.Listing, "listing", false, "add a unified diff of all tables and identity fields, decoded")
	cmd.Flags().StringVar(&opts.Edits, "edits", "", "edits `file`: name the recorded edits that account for the difference, and what none explains")
	return cmd
}

func runDiff(ctx context.Context, opts *DiffOptions, streams Streams) error {
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
	opts.Hash = opts.HTML != ""
	result, err := diffmap.CompareBound(original, modified, opts.Options)
	if err != nil {
		return err
	}
	data := report.DiffData{Original: opts.Original, Modified: opts.Modified, Map: report.SummaryOf(m), Result: result, ASCII: opts.ASCII}
	if data.Strip, err = opts.drawChanges(m, modified.Image, result); err != nil {
		return err
	}
	if opts.Listing {
		if m == nil {
			return errors.New("diff: --listing decodes tables and identity fields; name the region map with --map")
		}
		data.Listing = diffmap.DiffText(opts.Original, diffmap.Listing(original), opts.Modified, diffmap.Listing(modified))
	}
	if opts.Edits != "" {
		file, err := edits.Load(opts.Edits)
		if err != nil {
			return err
		}
		if data.Edits, err = edits.Explain(original.Image, modified.Image, m, file); err != nil {
			return err
		}
	}
	if err := opts.write(ctx, streams, data, m, []string{opts.Edits}, pageInput{"original", opts.Original, result.SHA256[0], original}, pageInput{"modified", opts.Modified, result.SHA256[1], modified}); err != nil {
		return err
	}
	return opts.print(streams, data)
}

// drawChanges returns the picture of the modified image with what changed.
func (o *DiffOptions) drawChanges(m *maps.Map, modified *image.Image, result *diffmap.Result) ([]string, error) {
	changed := slices.Concat(result.Appeared, result.Vanished)
	for _, c := range result.Changes {
		changed = append(changed, c.Range)
	}
	lines, err := o.draw(m, modified, nil, image.MergeRanges(changed))
	if left := result.ChangeCount - uint64(len(result.Changes)); left > 0 && err == nil {
		lines = append(lines, evidence.Sprintf("%d changes beyond the first %d are not drawn", left, len(result.Changes)))
	}
	return lines, err
}
