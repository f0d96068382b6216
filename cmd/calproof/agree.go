package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
	"example.com/calproof/image"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/image/safefile"
	"example.com/calproof/maps"
)

// AgreeOptions are the options of calproof agree.
type AgreeOptions struct {
	Output
	Input
	Picture
	Reads     []string
	Merge     string
	TakeFirst bool
	Force     bool
}

func newAgreeCommand(streams Streams) *cobra.Command {
	opts := &AgreeOptions{}
	cmd := &cobra.Command{
		Use:   "agree READ READ [READ...]",
		Short: "Compare repeated reads of one controller",
		Long: `Compare repeated reads of one controller: where they differ, in which regions,
which way the bits went, whether whole transfer blocks differ, and what simple
fault would explain it. Reads that differ only in adaptation regions agree.

Reads that agree are one piece of evidence and no proof: a stuck line reads the
same every time, and so does a read that always stops at one place. So the first
read is examined too, as calproof verify does, and the verdict is pass only if
the reads agree and the first one passes. Without a map nothing proves what they
hold, and the best verdict is unproven.

With three or more reads --merge writes what more than half of them hold;
addresses without such a majority are listed, and nothing is written unless
--take-first settles them.

` + exitHelpVerdict,
		Example: `  calproof agree demo/backup.bin demo/second-read.bin --map demo/groomer.toml
  calproof agree demo/backup.bin demo/second-read.bin  # exits 3
  calproof agree demo/backup.bin demo/stuck-line-read.bin --map demo/groomer.toml  # exits 1`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) < 2 {
				return fmt.Errorf("%s: agreement needs two reads or more, and %d given; write '%s'", commandName(cmd), len(args), cmd.UseLine())
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Reads = args
			return runAgree(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	opts.Picture.AddFlags(cmd)
	cmd.Flags().StringVar(&opts.Merge, "merge", "", "write the majority of three or more reads to this raw `file`")
	cmd.Flags().BoolVar(&opts.TakeFirst, "take-first", false, "with --merge: where no majority exists the first read counts")
	cmd.Flags().BoolVar(&opts.Force, "force", false, "with --merge: replace an existing file")
	return cmd
}

func runAgree(ctx context.Context, opts *AgreeOptions, streams Streams) error {
	if opts.Merge == "" && (opts.TakeFirst || opts.Force) {
		return errors.New("agree: --take-first and --force mean something only with --merge")
	}
	if err := distinctFiles(opts.Reads); err != nil {
		return fmt.Errorf("agree: %w", err)
	}
	m, err := opts.loadMap()
	if err != nil {
		return err
	}
	var bound []*maps.Bound
	var reads []*image.Image
	for _, path := range opts.Reads {
		im, err := opts.open(streams, path, m)
		if err != nil {
			return err
		}
		defer im.Close()
		bound = append(bound, im)
		reads = append(reads, im.Image)
	}
	result, err := readcheck.AgreeBound(bound...)
	if err != nil {
		return err
	}
	data := report.AgreeData{Reads: opts.Reads, Map: report.SummaryOf(m), Agreement: result}
	if data.Strip, err = opts.draw(m, reads[0], readcheck.Repeated(result.Findings), result.Ranges); err != nil {
		return err
	}
	if opts.Merge != "" {
		if m != nil && m.Image.Arranged() {
			return errors.New("agree: the map arranges the bytes of a file, and --merge writes them as they came; merge without --map")
		}
		merged, err := readcheck.Majority(opts.TakeFirst, reads...)
		if err != nil {
			return fmt.Errorf("agree: nothing was written: %w", err)
		}
		write := func(w io.Writer) error { return image.WriteRaw(w, merged, image.RawOptions{}) }
		if err := writeFile(ctx, opts.Merge, safefile.Options{Force: opts.Force, Inputs: opts.files()}, write); err != nil {
			return fmt.Errorf("agree: %w", err)
		}
		data.Merged = opts.Merge
	}
	return opts.print(streams, data)
}

// files returns the files that were read.
func (o *AgreeOptions) files() []string {
	var list []string
	for _, f := range append([]string{o.Map}, o.Reads...) {
		if f != "" && f != stdin {
			list = append(list, f)
		}
	}
	return list
}

// distinctFiles demands that no file is named twice: a file always agrees with
// itself.
func distinctFiles(paths []string) error {
	var infos []os.FileInfo
	for i, p := range paths {
		var info os.FileInfo
		if p != stdin {
			info, _ = os.Stat(p) // a missing file is reported when it is opened
		}
		for j, other := range infos {
			if p == paths[j] || info != nil && other != nil && os.SameFile(info, other) {
				return fmt.Errorf("%s and %s are one file, and a file always agrees with itself; read the controller again into another file", paths[j], paths[i])
			}
		}
		infos = append(infos, info)
	}
	return nil
}
