package archive

import (
	"cmp"
	"context"
	"io/fs"
	"slices"
	"strings"

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
	Progress   func(p Progress)             // called after each entry and each MiB or so, one call at a time
	Each       func(v *VehicleVerification) // called after each vehicle, one call at a time, in no order
}

// Progress of a verification.
type Progress struct {
	Entries, Of int // entries done, and how many there are
	// Bytes hashed so far, and those of the payload by what the entries say of
	// it: the tag files, some kilobytes an entry, come on top.
	Bytes, OfBytes int64
}

// Verification is what a verification found.
type Verification struct {
	Verdict  evidence.Verdict   `json:"verdict"`
	Findings []evidence.Finding `json:"findings"` // in the order of folders
	Vehicles int                `json:"vehicles"`
	Entries  int                `json:"entries"`
	Files    int                `json:"files"`
	Bytes    int64              `json:"bytes"` // read and hashed
	// Kept verdicts, and how many of them were computed again.
	Verdicts   int `json:"verdicts"`
	Recomputed int `json:"recomputed"`
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

	findings   []evidence.Finding
	entry      Entry
	sum        string
	hashed     int64
	files      int
	recomputed bool // the kept verdict was
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
	return evidence.Finding{Code: code, Severity: s, Message: evidence.Sprintf(format, args...)}
}

func leftOver(name string) evidence.Finding {
	return finding(evidence.Note, "unfinished-entry", "%s is what a writer has not finished, now or before an interruption; it is no entry, and the next writer removes it", name)
}
