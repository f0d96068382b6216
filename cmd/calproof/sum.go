package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"example.com/calproof/checksum"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image"
)

// SumOptions are the options of calproof sum.
type SumOptions struct {
	Output
	Input
	Path      string
	Algorithm string
	Ranges    []image.Range
}

func newSumCommand(streams Streams) *cobra.Command {
	opts := &SumOptions{}
	cmd := &cobra.Command{
		Use:   "sum IMAGE --algorithm NAME [--range RANGE]...",
		Short: "Compute a checksum or hash over ranges of an image",
		Long: `Compute a checksum over ranges of an image, in the order given; without --range
over all bytes it holds. Any CRC of the published catalogue, the common sums,
and SHA-256, SHA-512, SHA-1 and MD5: 'calproof algorithms' lists them. IMAGE may
be - for standard input. A range is FIRST-LAST (last byte included) or
START+SIZE. It needs no map; with one, addresses are the map's.

` + exitHelpDone,
		Example: `  calproof sum demo/backup.bin --algorithm CRC-16/IBM-3740 --range 0x0-0x3FFD
  calproof sum demo/backup.bin --algorithm CRC-32/ISO-HDLC --range 0x70000-0x7FFEF --range 0x7FFF4-0x7FFFB
  calproof sum demo/backup.bin --algorithm SHA-256`,
		Args: takes("IMAGE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Path = args[0]
			return runSum(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	cmd.Flags().StringVar(&opts.Algorithm, "algorithm", "", "`name` or alias of the algorithm (needed)")
	addVar(cmd, rangesFlag{&opts.Ranges}, "range", "addresses to cover; can be given several times, in the order to cover")
	complete(cmd, "algorithm", algorithmNames)
	return cmd
}

func runSum(_ context.Context, opts *SumOptions, streams Streams) error {
	if opts.Algorithm == "" {
		return errors.New("sum: no algorithm; name it with --algorithm ('calproof algorithms' lists them)")
	}
	alg, err := checksum.Lookup(opts.Algorithm)
	if err != nil {
		return err
	}
	im, err := opts.load(streams, opts.Path)
	if err != nil {
		return err
	}
	defer im.Close()
	ranges := opts.Ranges
	if len(ranges) == 0 {
		ranges = im.Image.Segments()
	}
	value, err := checksum.Over(alg, im.Image, ranges...)
	if err != nil {
		return err
	}
	return opts.print(streams, report.Sum(opts.Path, alg, value, ranges))
}

func algorithmNames() []string {
	var names []string
	for _, a := range checksum.All() {
		names = append(names, a.Name())
	}
	return names
}
