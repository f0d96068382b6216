package archive

import (
	"cmp"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"runtime"
	"slices"
	"strings"
	"sync"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
)

// Recompute computes the verdict of a kept entry again, with the map kept with
// it. It is handed in, because the archive knows no map. An error means that it
// could not be computed. It is called for several entries at once.
type Recompute func(ctx context.Context, kept Kept) (evidence.Verdict, error)

// Kept is an entry with its files.
type Kept struct {
	Entry
	FS fs.FS // of the entry's folder: Entry.ImagePath and the other paths lie in it
	// Parent is the entry that holds the parent image, nil for none.
	Parent *Kept
}

// VerifyOptions says what to verify and how.
type VerifyOptions struct {
	Vehicle string // name, folder or VIN; "" means the whole archive
	// BothHashes recomputes SHA-512 of payload files beside SHA-256. Without
	// it the SHA-512 manifests are proved unchanged by the tag manifests, and
	// the payload by SHA-256 alone, in about a third of the time.
	BothHashes bool
	Recompute  Recompute                    // nil: kept verdicts are not computed again
	Workers    int                          // entries at once; 0 means one a processor
	Progress   func(p Progress)             // called after each entry, one call at a time
	Each       func(v *VehicleVerification) // called after each vehicle, one call at a time, in no order
}

// Progress of a verification.
type Progress struct {
	Entries, Of int // entries done, and how many there are
	Bytes       int64
}

// Verification is what a verification found.
type Verification struct {
	Verdict  evidence.Verdict   `json:"verdict"`
	Findings []evidence.Finding `json:"findings"` // in the order of folders
	Vehicles int                `json:"vehicles"`
	Entries  int                `json:"entries"`
	Files    int                `json:"files"`
	Bytes    int64              `json:"bytes"` // read and hashed
}

// VehicleVerification is what was found of one vehicle.
type VehicleVerification struct {
	Folder   string              `json:"folder"`
	Verdict  evidence.Verdict    `json:"verdict"`
	Findings []evidence.Finding  `json:"findings"`
	Entries  []EntryVerification `json:"entries"`
	Head     string              `json:"head"` // hash of the newest entry's tag manifest: note it elsewhere to prove the whole chain later
}

// EntryVerification is what was found of one entry. Faults of the chain around
// it count for the vehicle.
type EntryVerification struct {
	Entry   string           `json:"entry"`
	Verdict evidence.Verdict `json:"verdict"`

	findings []evidence.Finding
	entry    Entry
	sum      string
	hashed   int64
	files    int
}

// Verify hashes every byte of every file and compares everything that was ever
// written down about it: manifests, chain, parents, kept verdicts. Damage is a
// finding; the error is for an archive that cannot be read or a context that
// ended.
func (r *Reader) Verify(ctx context.Context, opts VerifyOptions) (*Verification, error) {
	var folders []string
	out := &Verification{Findings: []evidence.Finding{}}
	if opts.Vehicle != "" {
		v, err := r.Vehicle(ctx, opts.Vehicle)
		if err != nil {
			return nil, err
		}
		folders = []string{v.Folder}
	} else {
		var others []string
		var err error
		if folders, others, err = r.folders(); err != nil {
			return nil, err
		}
		out.Findings = append(out.Findings, r.checkTop(others)...)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	run := &verifyRun{r: r, ctx: ctx, opts: opts, out: out}
	if err := run.all(folders); err != nil {
		return nil, err
	}
	slices.SortStableFunc(run.findings, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.folder, b.folder), cmp.Compare(a.entry, b.entry))
	})
	for _, p := range run.findings {
		out.Findings = append(out.Findings, p.Finding)
	}
	out.Verdict = evidence.Judge(out.Findings)
	return out, nil
}

// checkTop judges the files in the archive's own folder.
func (r *Reader) checkTop(others []string) []evidence.Finding {
	var out []evidence.Finding
	for _, name := range others {
		switch {
		case name == markerFile:
			data, err := readLimited(r.fsys, name)
			if err != nil || string(data) != marker {
				out = append(out, finding(evidence.Caution, "archive-text-changed", "%s is not the text this version writes; it carries no image, copy it from another archive", name))
			}
		case name == lockFile:
			if info, err := fs.Stat(r.fsys, name); err != nil || info.Size() > 0 || !info.Mode().IsRegular() {
				out = append(out, finding(evidence.Caution, "foreign-file", "%s is not an empty file, as the lock of this archive is; empty it", name))
			}
		case strings.HasPrefix(name, incomingPrefix):
			out = append(out, leftOver(name))
		default:
			out = append(out, finding(evidence.Caution, "foreign-file", "%s in the archive's folder belongs to no vehicle; move it away", name))
		}
	}
	return out
}

func finding(s evidence.Severity, code, format string, args ...any) evidence.Finding {
	return evidence.Finding{Code: code, Severity: s, Message: fmt.Sprintf(format, args...)}
}

func leftOver(name string) evidence.Finding {
	return finding(evidence.Note, "unfinished-entry", "%s is what a writer has not finished, now or before an interruption; it is no entry, and the next writer removes it", name)
}

// placed is a finding with its place, for the order of the report.
type placed struct {
	evidence.Finding
	folder string
	entry  int
}

// verifyRun is one verification at work.
type verifyRun struct {
	r    *Reader
	ctx  context.Context
	opts VerifyOptions

	recomputing chan struct{} // holds one element for each verdict being computed again

	mu       sync.Mutex // guards what follows, and calls of Progress and Each
	out      *Verification
	findings []placed
	done     Progress
	err      error
}

// job is one entry to verify; the worker that ends the last one of a vehicle
// finishes the vehicle.
type job struct {
	v *verifyVehicle
	i int
}

type verifyVehicle struct {
	folder   string
	snapshot *snapshot
	results  []EntryVerification
	left     int // entries not done, guarded by verifyRun.mu
}

func (run *verifyRun) all(folders []string) error {
	for _, folder := range folders {
		names, _ := fs.ReadDir(run.r.fsys, folder) // feed tells what cannot be read
		for _, n := range names {
			if _, ok := parseEntryName(n.Name()); ok {
				run.done.Of++
			}
		}
	}
	workers := run.opts.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	run.recomputing = make(chan struct{}, workers)
	jobs := make(chan job)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for j := range jobs {
				run.entry(j)
			}
		})
	}
	err := run.feed(folders, jobs)
	close(jobs)
	wg.Wait()
	return cmp.Or(err, run.err, run.ctx.Err())
}

// feed hands every entry to the workers.
func (run *verifyRun) feed(folders []string, jobs chan<- job) error {
	for _, folder := range folders {
		s, err := readSnapshot(run.r.fsys, folder)
		if errors.Is(err, errBusy) || run.ctx.Err() != nil {
			return cmp.Or(run.ctx.Err(), err)
		}
		if err != nil { // the others are to be verified all the same
			run.unreadable(folder, err)
			continue
		}
		v := &verifyVehicle{folder: folder, snapshot: s, results: make([]EntryVerification, len(s.entries)), left: len(s.entries)}
		if len(s.entries) == 0 {
			run.finish(v)
		}
		for i := range s.entries {
			select {
			case jobs <- job{v, i}:
			case <-run.ctx.Done():
				return run.ctx.Err()
			}
		}
	}
	return nil
}

// unreadable notes a vehicle that cannot be read at all.
func (run *verifyRun) unreadable(folder string, err error) {
	f := finding(evidence.Fault, "vehicle-unreadable", "%v", err)
	run.mu.Lock()
	defer run.mu.Unlock()
	run.findings = append(run.findings, placed{f, folder, 0})
	run.out.Vehicles++
}

// entry verifies one entry.
func (run *verifyRun) entry(j job) {
	res, err := verifyEntry(run.ctx, run.r.fsys, j.v.folder, j.v.snapshot.entries[j.i], run.opts)
	run.mu.Lock()
	if err != nil && run.err == nil {
		run.err = err
	}
	j.v.results[j.i] = res
	run.done.Entries++
	run.done.Bytes += res.hashed
	if run.opts.Progress != nil {
		run.opts.Progress(run.done)
	}
	j.v.left--
	last := j.v.left == 0
	run.mu.Unlock()
	if last && err == nil {
		run.finish(j.v)
	}
}

// verifyEntry verifies one entry by itself. The error is for a context that
// ended; everything else is a finding.
func verifyEntry(ctx context.Context, fsys fs.FS, folder, name string, opts VerifyOptions) (EntryVerification, error) {
	return verifyBag(ctx, subFolder(fsys, folder+"/"+name), folder, name, opts)
}

// verifyBag verifies the entry that fsys holds. folder and name are its place,
// or the one it is meant for.
func verifyBag(ctx context.Context, fsys fs.FS, folder, name string, opts VerifyOptions) (EntryVerification, error) {
	res := EntryVerification{Entry: name}
	bad := func(severity evidence.Severity, code, format string, args ...any) {
		res.findings = append(res.findings, finding(severity, code, "%s: %s", folder+"/"+name, fmt.Sprintf(format, args...)))
	}
	algorithms := []string{"sha256"}
	if opts.BothHashes {
		algorithms = nil
	}
	report, err := bagit.Validate(ctx, fsys, bagit.Options{Payload: algorithms})
	if ctx.Err() != nil {
		return res, ctx.Err()
	}
	if err != nil {
		bad(evidence.Fault, "entry-unreadable", "%v", err)
		res.Verdict = evidence.Fail
		return res, nil
	}
	res.hashed, res.files = report.Hashed, len(report.Files)
	for _, p := range report.Problems {
		bad(evidence.Fault, p.Code, "%s", p)
	}
	for file := range report.Files {
		if !strings.Contains(file, "/") && !tagFiles[file] {
			bad(evidence.Fault, "foreign-file", "%s belongs to no entry", file)
		}
	}
	// The bag may be whole; now what it says.
	if sum, ok := tagManifestSum(fsys, "."); ok {
		res.sum = sum
	}
	res.entry, err = entryFromInfo(report.Info)
	if err != nil {
		bad(evidence.Fault, "bad-info", "%v", err)
	} else {
		res.entry.Folder, res.entry.Name, res.entry.TagManifestSHA256 = folder, name, res.sum
		checkEntry(&res.entry, report, fsys, bad)
	}
	res.Verdict = evidence.Judge(res.findings)
	return res, nil
}

// tagFiles are the files of an entry beside data/.
var tagFiles = map[string]bool{
	"bagit.txt": true, "bag-info.txt": true, "manifest-sha256.txt": true, "manifest-sha512.txt": true,
	"tagmanifest-sha256.txt": true, "tagmanifest-sha512.txt": true,
}

// checkEntry compares what bag-info.txt says with the bag around it.
func checkEntry(e *Entry, report *bagit.Report, fsys fs.FS, bad func(evidence.Severity, string, string, ...any)) {
	if want := e.folderName(); want != e.Name {
		bad(evidence.Fault, "entry-renamed", "bag-info.txt is of %s", want)
	}
	paths := append([]string{e.ImagePath, e.SecondReadPath, e.MapPath, e.VerdictPath, e.VerdictTextPath, e.NotePath}, e.Attached...)
	named := map[string]bool{}
	for _, p := range paths {
		if p == "" {
			continue
		}
		if _, ok := report.Files[p]; !ok {
			bad(evidence.Fault, "file-missing", "%s is named in bag-info.txt but missing", p)
		}
		named[p] = true
	}
	for file := range report.Files {
		if strings.HasPrefix(file, "data/") && !named[file] {
			bad(evidence.Fault, "foreign-file", "%s is not named in bag-info.txt", file)
		}
	}
	if e.ImagePath != "" {
		if sum := report.Files[e.ImagePath].Sums["sha256"]; sum != nil && hex.EncodeToString(sum) != e.ImageSHA256 {
			bad(evidence.Fault, "hash-mismatch", "Image-SHA256 in bag-info.txt is not the hash of %s", e.ImagePath)
		}
	}
	if e.VerdictPath != "" {
		data, err := readLimited(fsys, e.VerdictPath)
		if err == nil {
			err = checkVerdict(data, e.Verdict)
		}
		if err != nil {
			bad(evidence.Fault, "verdict-mismatch", "kept verdict: %v", err)
		}
	}
}

// finish checks the chain of a vehicle whose entries are done.
func (run *verifyRun) finish(v *verifyVehicle) {
	res := &VehicleVerification{Folder: v.folder, Entries: v.results, Findings: []evidence.Finding{}}
	var all []placed
	bad := func(entry int, severity evidence.Severity, code, format string, args ...any) {
		all = append(all, placed{finding(severity, code, "%s: %s", v.folder, fmt.Sprintf(format, args...)), v.folder, entry})
	}
	v.checkChain(bad)
	run.recomputeAll(v)
	for i := range v.results {
		e := &v.results[i]
		for _, f := range e.findings {
			all = append(all, placed{f, v.folder, i + 1})
		}
		if e.sum != "" {
			res.Head = e.sum
		}
	}
	for _, p := range all {
		res.Findings = append(res.Findings, p.Finding)
	}
	res.Verdict = evidence.Judge(res.Findings)

	run.mu.Lock()
	defer run.mu.Unlock()
	run.findings = append(run.findings, all...)
	if len(v.results) > 0 {
		run.out.Vehicles++
	}
	for _, e := range v.results {
		run.out.Entries++
		run.out.Files += e.files
		run.out.Bytes += e.hashed
	}
	if run.opts.Each != nil {
		run.opts.Each(res)
	}
}

// checkChain compares entries, their order and what each says of the one
// before it with the chain file.
func (v *verifyVehicle) checkChain(bad func(entry int, s evidence.Severity, code, format string, args ...any)) {
	s := v.snapshot
	for _, name := range s.others {
		switch entry, _, _ := strings.Cut(name, "."); {
		case strings.HasPrefix(name, incomingPrefix):
			bad(0, evidence.Note, "unfinished-entry", "%s", leftOver(name).Message)
		case entryName().MatchString(entry) && name != entry: // in a store only
			severity, why := evidence.Caution, "a push has not finished, or its line was removed; push again"
			if n, _ := parseEntryName(entry); n <= len(s.chain) {
				severity, why = evidence.Note, "another shop's entry came first; it belongs to no history"
			}
			bad(0, severity, "unfinished-push", "%s lies there, but is not on the chain: %s", name, why)
		default:
			bad(0, evidence.Caution, "foreign-file", "%s is no entry; move it away", name)
		}
	}
	if len(s.entries) == 0 && len(s.chain) == 0 && s.chainErr == nil {
		bad(0, evidence.Caution, "foreign-folder", "holds no entry; move it away")
		return
	}
	if s.chainErr != nil {
		bad(0, evidence.Fault, "chain-damaged", "%v", s.chainErr)
	}
	listed := map[string]string{}
	for _, l := range s.chain {
		listed[l.entry] = l.sum
		if !slices.Contains(s.entries, l.entry) && l.entry != s.pending {
			bad(0, evidence.Fault, "entry-missing", "%s is on the chain, but it is gone", l.entry)
		}
	}
	previous := "" // sum of the entry before
	images := map[string]bool{}
	for i := range v.results {
		e := &v.results[i]
		if n, _ := parseEntryName(e.Entry); n != i+1 && s.chainErr == nil {
			bad(i+1, evidence.Fault, "entry-order", "%s stands where entry %d belongs", e.Entry, i+1)
		}
		switch sum, ok := listed[e.Entry]; {
		case s.chainErr != nil:
		case !ok:
			bad(i+1, evidence.Fault, "chain-broken", "%s is not on the chain", e.Entry)
		case sum != e.sum:
			bad(i+1, evidence.Fault, "chain-broken", "%s is not the entry that was put on the chain", e.Entry)
		}
		if e.entry.Kind != "" { // bag-info.txt could be read
			if e.entry.PreviousSHA256 != previous {
				bad(i+1, evidence.Fault, "chain-broken", "%s was not written after the entry before it: its Previous-Tag-Manifest-SHA256 is of another", e.Entry)
			}
			if i > 0 && v.results[0].entry.Kind != "" && e.entry.Vehicle != v.results[0].entry.Vehicle {
				bad(i+1, evidence.Fault, "other-vehicle", "%s is of vehicle %q, the first entry of %q", e.Entry, e.entry.Vehicle, v.results[0].entry.Vehicle)
			}
			if p := e.entry.ParentSHA256; p != "" && !images[p] {
				bad(i+1, evidence.Fault, "parent-missing", "%s names the parent image %.16s..., which no entry before it holds", e.Entry, p)
			}
			if i > 0 && e.entry.Created.Before(v.results[i-1].entry.Created) {
				bad(i+1, evidence.Note, "clock-set-back", "%s is dated before the entry it follows; the machine's clock was set back between the two, the chain holds", e.Entry)
			}
			images[e.entry.ImageSHA256] = true
		}
		previous = e.sum
	}
}

// recomputeAll computes the kept verdicts of a vehicle again, as many at once
// in the whole run as there are workers.
func (run *verifyRun) recomputeAll(v *verifyVehicle) {
	if run.opts.Recompute == nil {
		return
	}
	var wg sync.WaitGroup
	for i := range v.results {
		if e := &v.results[i]; e.Verdict == evidence.Pass && e.entry.Verdict != "" {
			run.recomputing <- struct{}{}
			wg.Go(func() {
				defer func() { <-run.recomputing }()
				e.findings = append(e.findings, run.recompute(v, i)...)
				e.Verdict = evidence.Judge(e.findings)
			})
		}
	}
	wg.Wait()
}

// recompute computes a kept verdict again.
func (run *verifyRun) recompute(v *verifyVehicle, i int) []evidence.Finding {
	e := &v.results[i]
	kept := Kept{Entry: e.entry, FS: subFolder(run.r.fsys, path.Join(v.folder, e.Entry))}
	for j := range i {
		if p := &v.results[j]; e.entry.ParentSHA256 != "" && p.entry.ImageSHA256 == e.entry.ParentSHA256 {
			kept.Parent = &Kept{Entry: p.entry, FS: subFolder(run.r.fsys, path.Join(v.folder, p.Entry))}
		}
	}
	got, err := run.opts.Recompute(run.ctx, kept)
	ref := v.folder + "/" + e.Entry
	switch {
	case errors.Is(err, ErrNotRecomputed):
		return []evidence.Finding{finding(evidence.Note, "verdict-not-recomputed", "%s: kept verdict %q was not computed again: %v", ref, e.entry.Verdict, err)}
	case err != nil:
		return []evidence.Finding{finding(evidence.Caution, "verdict-not-recomputed", "%s: kept verdict %q could not be computed again: %v", ref, e.entry.Verdict, err)}
	case got == e.entry.Verdict:
		return nil
	case e.entry.Verdict == evidence.Pass:
		return []evidence.Finding{finding(evidence.Fault, "verdict-differs", "%s: kept verdict is pass (by %s), computed again it is %s; do not rely on this image", ref, e.entry.Tool, got)}
	}
	return []evidence.Finding{finding(evidence.Caution, "verdict-differs", "%s: kept verdict is %s (by %s), computed again it is %s", ref, e.entry.Verdict, e.entry.Tool, got)}
}

// ErrNotRecomputed is wrapped by a [Recompute] that does not judge an entry of
// this kind.
var ErrNotRecomputed = errors.New("not judged here")
