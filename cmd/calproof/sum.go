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
	Path       string
	Algorithms []string
	Ranges     []image.Range
}

func newSumCommand(streams Streams) *cobra.Command {
	opts := &SumOptions{}
	cmd := &cobra.Command{
		Use:   "sum IMAGE --algorithm NAME... [--range RANGE]...",
		Short: "Compute a checksum or hash over ranges of an image",
		Long: `Compute a checksum over ranges of an image, in the order given; without --range
over all bytes it holds. Any CRC of the published catalogue, the common sums,
and SHA-256, SHA-512, SHA-1 and MD5: 'calproof algorithms' lists them. IMAGE may
be - for standard input. A range is FIRST-LAST (last byte included) or
START+SIZE. It needs no map; with one, addresses are the map's. Of several
algorithms each has a line of its own.

` + exitHelpDone,
		Example: `  calproof sum demo/backup.bin --algorithm CRC-16/IBM-3740 --range 0x0-0x3FFD
  calproof sum demo/backup.bin --algorithm CRC-32/ISO-HDLC --range 0x70000-0x7FFEF --range 0x7FFF4-0x7FFFB
  calproof sum demo/backup.bin --algorithm SHA-256 --algorithm CRC-32/ISO-HDLC`,
		Args: takes("IMAGE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Path = args[0]
			return runSum(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	cmd.Flags().StringArrayVar(&opts.Algorithms, "algorithm", nil, "`name` or alias of the algorithm (needed); can be given several times")
	addVar(cmd, rangesFlag{&opts.Ranges}, "range", "addresses to cover; can be given several times, in the order to cover")
	complete(cmd, "algorithm", algorithmNames)
	return cmd
}

func runSum(_ context.Context, opts *SumOptions, streams Streams) error {
	if len(opts.Algorithms) == 0 {
		return errors.New("sum: no algorithm; name it with --algorithm ('calproof algorithms' lists them)")
	}
	var algs []checksum.Algorithm
	for _, name := range opts.Algorithms {
		alg, err := checksum.Lookup(name)
		if err != nil {
			return err
		}
		algs = append(algs, alg)
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
	data := report.NewSum(opts.Path, ranges)
	for _, alg := range algs {
		value, err := checksum.Over(alg, im.Image, ranges...)
		if err != nil {
			return err
		}
		data.Add(alg, value)
	}
	return opts.print(streams, data)
}

func algorithmNames() []string {
	var names []string
	for _, a := range checksum.All() {
		names = append(names, a.Name())
	}
	return names
}
