package main

import (
	"context"
	"errors"
	"fmt"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/keeping"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/archive"
)

// gateRecord is the archive beside the gate.
type gateRecord struct {
	opts    *GateOptions
	archive *archive.Archive // nil for none
	entry   *archive.Entry   // of the original, nil if the archive does not hold it
}

// openRecord opens the archive, if one was named.
func (opts *GateOptions) openRecord() (*gateRecord, error) {
	r := &gateRecord{opts: opts}
	if opts.dir() == "" {
		if opts.Save || opts.Vehicle != "" {
			return nil, errors.New("gate: --vehicle and --save need an archive; name its folder with --archive or in " + archiveEnv)
		}
		return r, nil
	}
	var err error
	r.archive, err = opts.openArchive()
	return r, err
}

func (r *gateRecord) close() {
	if r.archive != nil {
		r.archive.Close()
	}
}

// consult returns what tells the gate what the archive proves about the
// original, nil for no archive.
func (r *gateRecord) consult(ctx context.Context) func(sha256 string) (*diffmap.ArchiveEvidence, error) {
	if r.archive == nil {
		return nil
	}
	return func(sha256 string) (ev *diffmap.ArchiveEvidence, err error) {
		ev, r.entry, err = keeping.Evidence(ctx, r.archive.Reader, r.opts.Vehicle, sha256)
		return ev, err
	}
}

// save keeps the modified image with the gate's verdict, below the original,
// and returns the place of the entry.
func (r *gateRecord) save(ctx context.Context, in diffmap.GateInput, doc report.Document, files []pageInput) (string, error) {
	if r.entry == nil {
		return "", errors.New("gate: --save: the archive does not hold the original; keep it first with 'calproof archive add'")
	}
	verdict, err := keptVerdict(doc)
	if err != nil {
		return "", err
	}
	add := archive.Addition{
		Vehicle: r.entry.Folder, Kind: archive.GateRecord, Parent: r.entry.ImageSHA256, Map: mapSource(in.Map()), Verdict: verdict,
		Conditions: archive.Conditions{SupplyVolts: in.Bench.SupplyVolts, AdapterLatencyMS: in.Bench.AdapterLatencyMS, Duration: in.Bench.ReadTook},
	}
	for _, f := range files {
		switch f.part {
		case "modified":
			addImage(&add, &r.opts.Input, f.path, f.Bound, f.sha256)
		case "second read":
			add.SecondRead = imageSource(f.path, f.Bound)
		}
	}
	ctx, stop := interruptible(ctx)
	defer stop()
	added, err := r.archive.Add(ctx, add)
	if err != nil {
		return "", fmt.Errorf("gate: --save: %w", err)
	}
	return added.Entry.Ref(), nil
}
