package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/readcheck"
)

// VerifyOptions are the options of calproof verify.
type VerifyOptions struct {
	Output
	Input
	Page
	Picture
	Path string
}

func newVerifyCommand(streams Streams) *cobra.Command {
	opts := &VerifyOptions{}
	cmd := &cobra.Command{
		Use:   "verify IMAGE --map MAP",
		Short: "Prove that a read is complete and true and its checksums agree",
		Long: `Prove an image against its region map: size and coverage, every checksum rule,
the identity fields, and the marks of a bad read. Without a map the best verdict
is unproven. IMAGE may be - for standard input.

` + exitHelpVerdict,
		Example: `  calproof verify demo/backup.bin --map demo/groomer.toml
  calproof verify demo/short-read.bin --map demo/groomer.toml --html short-read.html  # exits 1
  calproof verify demo/stuck-line-read.bin --map demo/groomer.toml  # exits 1
  calproof verify demo/backup.bin  # exits 3`,
		Args: takes("IMAGE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Path = args[0]
			return runVerify(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	opts.Page.AddFlags(cmd)
	opts.Picture.AddFlags(cmd)
	return cmd
}

func runVerify(ctx context.Context, opts *VerifyOptions, streams Streams) error {
	im, err := opts.load(streams, opts.Path)
	if err != nil {
		return err
	}
	defer im.Close()
	m := im.Map
	hash := sha256.New()
	result, _, err := diffmap.VerifyFile(im, nil, hash)
	if err != nil {
		return err
	}
	sum := hex.EncodeToString(hash.Sum(nil))
	data := report.VerifyData{File: opts.Path, SHA256: sum, Map: report.SummaryOf(m), Verification: result}
	if data.Strip, err = opts.draw(m, im.Image, readcheck.Repeated(result.Read.Findings), nil); err != nil {
		return err
	}
	if err := opts.write(ctx, streams, data, m, nil, pageInput{"image", opts.Path, sum, im}); err != nil {
		return err
	}
	return opts.print(streams, data)
}
