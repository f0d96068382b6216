// Package keeping joins the archive to what it may not know: region maps, verdicts
// and the gate. It judges an image before it is kept, computes a kept verdict
// again, tells the gate what an archive proves, and finds the kept image
// nearest to an unknown one.
package keeping

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"example.com/calproof/diffmap"
	"example.com/calproof/image/archive"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

// Judgement is what is known of an image when it is kept.
type Judgement struct {
	Image      *diffmap.Verification
	SecondRead *readcheck.Agreement // nil without a second read
}

// Judge verifies b and, if there is a second read, nil for none, compares the
// two. Without a map the verdict is at best unproven. The file of b is written
// to w, nil for nowhere, which may be a hash; each image is read once.
func Judge(b, second *maps.Bound, w io.Writer) (*Judgement, error) {
	if second != nil && second.Image == b.Image {
		return nil, errors.New("the second read is the image itself; read the controller again")
	}
	j := &Judgement{}
	var err error
	j.Image, j.SecondRead, err = diffmap.VerifyFile(b, second, w)
	return j, err
}

// Verdict returns the verdict on the image: all that was examined must hold.
func (j *Judgement) Verdict() evidence.Verdict {
	if j.SecondRead != nil {
		return evidence.Combine(j.Image.Verdict, j.SecondRead.Verdict)
	}
	return j.Image.Verdict
}

// Findings returns the findings on the image, then those on the second read
// against it.
func (j *Judgement) Findings() []evidence.Finding {
	out := j.Image.Findings()
	if j.SecondRead != nil {
		out = append(out, j.SecondRead.Differences()...)
	}
	return out
}

// Recompute computes the verdict of a kept entry again, from the files in it.
// It is an [archive.Recompute].
func Recompute(_ context.Context, kept archive.Kept) (evidence.Verdict, error) {
	files, err := openKept(kept)
	if err != nil {
		return "", err
	}
	if kept.Kind == archive.GateRecord {
		return recomputeGate(kept, files)
	}
	j, err := Judge(files.image, files.second, nil)
	if err != nil {
		return "", err
	}
	return j.Verdict(), nil
}

// recomputeGate runs the gate again with what is on record: the parent image,
// the bench figures, the acceptances. That the archive holds the parent whole
// is judged with the parent's own entry.
func recomputeGate(kept archive.Kept, files *keptFiles) (evidence.Verdict, error) {
	if kept.Parent == nil || files.image.Map == nil {
		return "", fmt.Errorf("%w: the original or the map is not in the archive", archive.ErrNotRecomputed)
	}
	data, err := fs.ReadFile(kept.FS, kept.VerdictPath)
	if err != nil {
		return "", err
	}
	var doc struct {
		Data struct {
			Accepted []struct{ Region, Reason string }
		}
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		return "", fmt.Errorf("kept verdict: %w", err)
	}
	original, err := openImage(*kept.Parent, kept.Parent.ImagePath, files.image.Map)
	if err != nil {
		return "", err
	}
	c := kept.Conditions
	in := diffmap.GateInput{
		Original: original, Modified: files.image, SecondRead: files.second, Accepted: map[string]string{},
		Bench: diffmap.BenchFigures{SupplyVolts: c.SupplyVolts, AdapterLatencyMS: c.AdapterLatencyMS, ReadTook: c.Duration},
		Archive: func(string) (*diffmap.ArchiveEvidence, error) {
			return &diffmap.ArchiveEvidence{Entry: kept.Parent.Ref(), Verified: evidence.Pass, Restorable: evidence.Pass,
				Kept: keptVerdict(&kept.Parent.Entry)}, nil
		},
	}
	for _, a := range doc.Data.Accepted {
		in.Accepted[a.Region] = a.Reason
	}
	res, err := diffmap.Gate(in)
	if err != nil {
		return "", err
	}
	return res.Verdict, nil
}

// keptVerdict returns the verdict kept with e; none is unproven.
func keptVerdict(e *archive.Entry) evidence.Verdict {
	if e.Verdict == "" {
		return evidence.Unproven
	}
	return e.Verdict
}
