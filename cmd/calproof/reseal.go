package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image"
	"example.com/calproof/image/safefile"
)

// ResealOptions are the options of calproof reseal.
type ResealOptions struct {
	Output
	Input
	Path, Original, Out    string
	WithoutOriginal, Force bool
	Accepted               map[string]string
}

func newResealCommand(streams Streams) *cobra.Command {
	opts := &ResealOptions{}
	cmd := &cobra.Command{
		Use:   "reseal IMAGE --map MAP --original FILE --out NEW",
		Short: "Put stored checksum values right, in a new file",
		Long: `Write the new file NEW: IMAGE with the stored values of all checksum rules that
do not agree computed anew, in the order in which they depend on one another,
and nothing else. Each value is shown before and after, and the result is
proved: every rule is evaluated again, and NEW is read back and compared with
IMAGE. NEW keeps the form of IMAGE, also where that is Intel HEX or S-records.

Nothing is written if bytes differ from the original where the map allows no
edit, if a signature covers a change (it cannot be computed without its key, and
a controller that checks it refuses the image), or if a rule has no field to
write. A checksum that is put right proves nothing about the edit.

` + exitHelpVerdict,
		Example: `  calproof reseal demo/edited-stale.bin --map demo/groomer.toml --original demo/backup.bin --out sealed.bin
  calproof reseal demo/edited-boot.bin --map demo/groomer.toml --original demo/backup.bin --out sealed-boot.bin  # exits 1`,
		Args: takes("IMAGE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Path = args[0]
			return runReseal(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	cmd.Flags().StringVar(&opts.Original, "original", "", "`file` of the image before the edit")
	cmd.Flags().BoolVar(&opts.WithoutOriginal, "without-original", false, "go on without an original; the result is then unproven and says so")
	cmd.Flags().StringVar(&opts.Out, "out", "", "the new `file`")
	cmd.Flags().BoolVar(&opts.Force, "force", false, "replace an existing file NEW")
	addVar(cmd, reasonsFlag{&opts.Accepted}, "accept", "accept changes in a region that must be asked for, and why; can be given several times")
	return cmd
}

func runReseal(ctx context.Context, opts *ResealOptions, streams Streams) error {
	if opts.Out == "" {
		return errors.New("reseal: no output; name the new file with --out")
	}
	if opts.Original != "" && opts.WithoutOriginal {
		return errors.New("reseal: --original and --without-original contradict one another; give one of them")
	}
	m, err := opts.needMap("reseal")
	if err != nil {
		return err
	}
	im, err := opts.open(streams, opts.Path, m)
	if err != nil {
		return err
	}
	defer im.Close()
	in := diffmap.ResealInput{Image: im, WithoutOriginal: opts.WithoutOriginal, Accepted: opts.Accepted}
	inputs := []string{opts.Path, opts.Map}
	if opts.Original != "" {
		original, err := opts.open(streams, opts.Original, m)
		if err != nil {
			return err
		}
		defer original.Close()
		in.Original = original.Image
		inputs = append(inputs, opts.Original)
	}
	data := report.ResealData{Image: opts.Path, Original: opts.Original, Map: report.SummaryOf(m)}
	result, err := diffmap.Reseal(in)
	if refused, ok := report.Refusal(data, err); ok {
		return opts.print(streams, refused)
	}
	if err != nil {
		return fmt.Errorf("reseal: %w", err)
	}
	data = data.With(result, opts.Out)
	segments, err := im.InFile(result.Patches)
	if err != nil {
		return fmt.Errorf("reseal: %w", err)
	}
	err = writeFile(ctx, opts.Out, safefile.Options{Force: opts.Force, Inputs: inputs}, func(w io.Writer) error {
		return image.WritePatched(w, im.Opened(), segments...)
	})
	if err != nil {
		return fmt.Errorf("reseal: %w", err)
	}
	if err := opts.readBack(streams, result); err != nil {
		return err
	}
	return opts.print(streams, data)
}

// readBack compares the file that was written with what was proved.
func (o *ResealOptions) readBack(streams Streams, result *diffmap.Resealing) error {
	written, err := o.open(streams, o.Out, result.Resealed.Map)
	if err != nil {
		return fmt.Errorf("reseal: read back: %w", err)
	}
	defer written.Close()
	diff, err := diffmap.Compare(result.Resealed.Image, written.Image, nil, diffmap.Options{})
	if err != nil {
		return fmt.Errorf("reseal: read back: %w", err)
	}
	if !diff.Equal {
		return fmt.Errorf("reseal: %s does not read back as it was computed (%d bytes differ); do not use it, and delete it", o.Out, diff.BytesChanged)
	}
	return nil
}
