package archive

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"

	"example.com/calproof/image/evidence"
)

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

	mu       sync.Mutex // guards what follows, and calls of Progress and Each
	out      *Verification
	findings []placed
	done     Progress
	err      error
}

// verifyVehicle is a vehicle being verified. Only a few are at any time, so
// that memory does not grow with the archive.
type verifyVehicle struct {
	folder   string
	snapshot *snapshot
	entries  []Entry // as their bag-info.txt say, by index into snapshot.entries
	results  []EntryVerification
	left     int // entries not done, guarded by verifyRun.mu
}

// job is one entry to verify; the worker that ends the last one of a vehicle
// finishes the vehicle.
type job struct {
	v *verifyVehicle
	i int
}

func (run *verifyRun) all(folders []string) error {
	order, err := run.plan(folders)
	if err != nil {
		return err
	}
	workers := run.opts.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	jobs := make(chan job)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for j := range jobs {
				run.entry(j)
			}
		})
	}
	err = run.feed(order, jobs)
	close(jobs)
	wg.Wait()
	return cmp.Or(err, run.err, run.ctx.Err())
}

// plan counts what is to be done, and returns the folders in the order in which
// to do it: those with the largest entries first, so that no processor is left
// alone with a large one at the end. Sizes are what bag-info.txt says; whether
// that is true is verified later.
func (run *verifyRun) plan(folders []string) ([]string, error) {
	largest := make(map[string]int64, len(folders))
	for v, err := range run.r.vehicles(run.ctx, folders) {
		if v == nil {
			return nil, err
		}
		for i := range v.Entries { // none if it cannot be read, of which feed tells
			size := v.Entries[i].payload
			largest[v.Folder] = max(largest[v.Folder], size)
			run.done.Of++
			run.done.OfBytes += min(size, math.MaxInt64-run.done.OfBytes)
		}
	}
	return slices.SortedStableFunc(slices.Values(folders), func(a, b string) int { return cmp.Compare(largest[b], largest[a]) }), nil
}

// feed hands every entry to the workers, the large ones of a vehicle first.
func (run *verifyRun) feed(folders []string, jobs chan<- job) error {
	for _, folder := range folders {
		vehicle, s, err := run.r.readVehicle(folder)
		if errors.Is(err, errBusy) || run.ctx.Err() != nil {
			return cmp.Or(run.ctx.Err(), err)
		}
		if err != nil { // the others are to be verified all the same
			run.unreadable(folder, err)
			continue
		}
		n := len(s.entries)
		v := &verifyVehicle{folder: folder, snapshot: s, entries: vehicle.Entries, results: make([]EntryVerification, n), left: n}
		if n == 0 {
			run.finish(v)
		}
		order := make([]int, n)
		for i := range order {
			order[i] = i
		}
		slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(v.entries[b].payload, v.entries[a].payload) })
		for _, i := range order {
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
	res, err := run.verifyEntry(j.v, j.i)
	run.mu.Lock()
	if err != nil && run.err == nil {
		run.err = err
	}
	j.v.results[j.i] = res
	run.done.Entries++
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
func (run *verifyRun) verifyEntry(v *verifyVehicle, i int) (EntryVerification, error) {
	name := v.snapshot.entries[i]
	fsys, leave, err := enter(run.r.fsys, v.folder+"/"+name)
	if err != nil {
		return unreadableEntry(v.folder, name, err), run.ctx.Err()
	}
	defer leave()
	b := bagVerifier{ctx: run.ctx, fsys: fsys, folder: v.folder, name: name, opts: run.opts, hashed: run.hashed}
	b.parent = func(sum string) *Kept {
		for j := i - 1; j >= 0; j-- {
			if e := &v.entries[j]; e.ImageSHA256 == sum {
				kept := run.r.Kept(e)
				return &kept
			}
		}
		return nil
	}
	return b.verify()
}

// hashed counts bytes as they are hashed.
func (run *verifyRun) hashed(n int64) {
	if run.opts.Progress == nil {
		return
	}
	run.mu.Lock()
	defer run.mu.Unlock()
	run.done.Bytes += n
	run.opts.Progress(run.done)
}

// finish checks the chain of a vehicle whose entries are done.
func (run *verifyRun) finish(v *verifyVehicle) {
	res := &VehicleVerification{Folder: v.folder, Entries: v.results, Findings: []evidence.Finding{}}
	var all []placed
	bad := func(entry int, severity evidence.Severity, code, format string, args ...any) {
		all = append(all, placed{finding(severity, code, "%s: %s", v.folder, fmt.Sprintf(format, args...)), v.folder, entry})
	}
	v.checkChain(bad)
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
		if e.entry.Verdict != "" {
			run.out.Verdicts++
		}
		if e.recomputed {
			run.out.Recomputed++
		}
	}
	if run.opts.Each != nil {
		run.opts.Each(res)
	}
}
