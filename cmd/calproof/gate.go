package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/edits"
	"example.com/calproof/diffmap/report"
)

// GateOptions are the options of calproof gate.
type GateOptions struct {
	Output
	Input
	Page
	ArchivePlace
	Original, Modified, SecondRead string
	Vehicle, Edits                 string
	Save                           bool
	Bench                          diffmap.BenchFigures
	Accepted                       map[string]string
}

func newGateCommand(streams Streams) *cobra.Command {
	opts := &GateOptions{}
	cmd := &cobra.Command{
		Use:   "gate ORIGINAL MODIFIED --map MAP",
		Short: "Judge whether an edited image may be written",
		Long: `List everything that must hold before MODIFIED is written over ORIGINAL, each
condition with its evidence: the original is a proved backup, coverage is the
same, every checksum agrees, every changed byte lies where an edit is allowed,
boot, program, identity and signature are untouched, table cells stay in their
limits, the bench is fit, the backup can be restored. What cannot be proved is
unproven, never pass. The gate writes nothing but its own record, if asked.

An archive (--archive or CALPROOF_ARCHIVE) proves the original if an entry holds
the same bytes, all of it verifies, and its kept verdict is pass and still is
when computed again. --save keeps MODIFIED there with the gate's verdict.

` + exitHelpVerdict,
		Example: `  calproof gate demo/backup.bin demo/edited.bin --map demo/groomer.toml --second-read demo/second-read.bin --supply-volts 13.2 --adapter-latency-ms 0.8  # exits 3
  calproof gate demo/backup.bin demo/edited-boot.bin --map demo/groomer.toml --html boot.html  # exits 1
  calproof archive init shop
  calproof archive add demo/backup.bin --archive shop --vehicle groomer-2 --kind backup --map demo/groomer.toml --second-read demo/second-read.bin
  calproof gate demo/backup.bin demo/edited.bin --map demo/groomer.toml --archive shop --vehicle groomer-2 --save --supply-volts 13.2 --adapter-latency-ms 0.8`,
		Args: takes("ORIGINAL", "MODIFIED"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Original, opts.Modified = args[0], args[1]
			return runGate(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	opts.Page.AddFlags(cmd)
	cmd.Flags().StringVar(&opts.SecondRead, "second-read", "", "`file` with another read of the same controller, to prove the original")
	addVar(cmd, measureFlag{&opts.Bench.SupplyVolts}, "supply-volts", "measured supply at the controller, in volts")
	addVar(cmd, measureFlag{&opts.Bench.AdapterLatencyMS}, "adapter-latency-ms", "measured latency of the adapter, in milliseconds")
	addVar(cmd, tookFlag{&opts.Bench.ReadTook}, "took", "how long the read of the original took, such as 68m30s")
	opts.ArchivePlace.AddFlags(cmd)
	cmd.Flags().StringVar(&opts.Vehicle, "vehicle", "", "`vehicle` of the archive that the original belongs to (default: found by its hash)")
	cmd.Flags().BoolVar(&opts.Save, "save", false, "keep the modified image in the archive with this verdict")
	cmd.Flags().StringVar(&opts.Edits, "edits", "", "edits `file`: name the recorded edits that account for the change, and what none explains")
	addVar(cmd, reasonsFlag{&opts.Accepted}, "accept", "accept changes in a region that must be asked for, and why; can be given several times")
	return cmd
}

func runGate(ctx context.Context, opts *GateOptions, streams Streams) error {
	m, err := opts.needMap("gate")
	if err != nil {
		return err
	}
	record, err := opts.openRecord()
	if err != nil {
		return err
	}
	defer record.close()
	original, modified, err := opts.openPair(streams, opts.Original, opts.Modified, m)
	if err != nil {
		return err
	}
	defer original.Close()
	defer modified.Close()
	in := diffmap.GateInput{Original: original, Modified: modified, Bench: opts.Bench, Accepted: opts.Accepted,
		Hash: opts.HTML != "" || opts.Save, Archive: record.consult(ctx)}
	if opts.SecondRead != "" {
		if sameFile(opts.SecondRead, opts.Original) {
			return fmt.Errorf("gate: %s is the original itself, which proves no second read; read the controller again and name that file", opts.SecondRead)
		}
		if in.SecondRead, err = opts.open(streams, opts.SecondRead, m); err != nil {
			return err
		}
		defer in.SecondRead.Close()
	}
	result, err := diffmap.Gate(in)
	if err != nil {
		return err
	}
	files := []pageInput{{"original", opts.Original, result.Diff.SHA256[0], original}, {"modified", opts.Modified, result.Diff.SHA256[1], modified}}
	if in.SecondRead != nil {
		files = append(files, pageInput{"second read", opts.SecondRead, result.SecondReadSHA256, in.SecondRead})
	}
	data := report.Gate(opts.Original, opts.Modified, opts.SecondRead, in, result)
	if opts.Edits != "" {
		file, err := edits.Load(opts.Edits)
		if err != nil {
			return err
		}
		if data.Edits, err = edits.Explain(original.Image, modified.Image, m, file); err != nil {
			return err
		}
	}
	if opts.Save {
		if data.Saved, err = record.save(ctx, in, report.New(version, data), files); err != nil {
			return err
		}
	}
	if err := opts.write(ctx, streams, data, m, nil, files...); err != nil {
		return err
	}
	return opts.print(streams, data)
}
