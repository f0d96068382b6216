package main

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"

	"github.com/spf13/cobra"
	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"

	"example.com/calproof/diffmap/keeping"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/archive"
)

// ArchiveVerifyOptions are the options of calproof archive verify.
type ArchiveVerifyOptions struct {
	Output
	ArchivePlace
	Vehicle    string
	All        bool
	SHA512     bool
	HashesOnly bool
}

func newArchiveVerifyCommand(streams Streams) *cobra.Command {
	opts := &ArchiveVerifyOptions{}
	cmd := &cobra.Command{
		Use:   "verify VEHICLE|--all",
		Short: "Hash every byte of an archive again and compare",
		Long: `Hash every byte of a vehicle's entries, or of all with --all, and compare with
everything that was written down: manifests, the chain from entry to entry,
parents, and the kept verdicts, which are computed again with the kept maps.
Whatever differs is named.

The payload is hashed with SHA-256; the SHA-512 manifests are covered by the tag
manifests. --sha512 computes SHA-512 of the payload too. To prove the newest
entry later on, note the "newest hash" elsewhere.

Computing verdicts again takes far longer than hashing. --hashes-only leaves it
out, and says so: the kept verdicts are then proved unchanged, but not that this
version comes to the same.

` + exitHelpVerdict,
		Example: `  calproof archive init shop
  calproof archive add demo/backup.bin --archive shop --vehicle groomer-2 --kind backup --map demo/groomer.toml
  calproof archive verify groomer-2 --archive shop
  calproof archive verify --all --archive shop`,
		Args: takesUpTo(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				opts.Vehicle = args[0]
			}
			return runArchiveVerify(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.ArchivePlace.AddFlags(cmd)
	cmd.Flags().BoolVar(&opts.All, "all", false, "verify every vehicle")
	cmd.Flags().BoolVar(&opts.HashesOnly, "hashes-only", false, "do not compute the kept verdicts again")
	cmd.Flags().BoolVar(&opts.SHA512, "sha512", false, "compute SHA-512 of the payload besides")
	return cmd
}

func runArchiveVerify(ctx context.Context, opts *ArchiveVerifyOptions, streams Streams) error {
	if opts.All == (opts.Vehicle != "") {
		return errors.New("archive verify: name one vehicle, or all with --all")
	}
	a, err := opts.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	data := report.ArchiveVerifyData{Archive: a.Dir(), SHA512: opts.SHA512, HashesOnly: opts.HashesOnly}
	verify := archive.VerifyOptions{Vehicle: opts.Vehicle, BothHashes: opts.SHA512}
	if !opts.HashesOnly {
		verify.Recompute = keeping.Recompute
	}
	if opts.Vehicle != "" {
		verify.Each = func(v *archive.VehicleVerification) { data.Vehicle, data.Detail = v.Folder, v }
	}
	progress, done := newProgress(streams, "verify")
	verify.Progress = progress
	data.Verification, err = a.Verify(ctx, verify)
	done()
	if err != nil {
		return err
	}
	return opts.print(streams, data)
}

// newProgress returns a progress bar on the terminal behind streams.Err, or
// nil if there is none; done takes it away.
func newProgress(streams Streams, what string) (progress func(archive.Progress), done func()) {
	if !streams.Progress {
		return nil, func() {}
	}
	bars := mpb.New(mpb.WithOutput(streams.Err), mpb.WithAutoRefresh())
	var latest atomic.Pointer[archive.Progress]
	bar := bars.AddBar(0, mpb.BarRemoveOnComplete(),
		mpb.PrependDecorators(decor.Name(what+" "), decor.Any(func(decor.Statistics) string {
			p := latest.Load()
			if p == nil {
				return ""
			}
			return fmt.Sprintf("%d of %d entries, ", p.Entries, p.Of)
		}), decor.CountersKibiByte("% .1f of % .1f ")),
		mpb.AppendDecorators(decor.AverageETA(decor.ET_STYLE_GO)))
	progress = func(p archive.Progress) {
		latest.Store(&p)
		bar.SetTotal(max(p.OfBytes, p.Bytes), false)
		bar.SetCurrent(p.Bytes)
	}
	return progress, func() {
		bar.Abort(true)
		bars.Wait()
	}
}
