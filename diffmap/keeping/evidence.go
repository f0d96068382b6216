package keeping

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"

	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/image/archive"
	"example.com/calproof/image/evidence"
)

// Evidence returns what the archive proves about an image file with the given
// SHA-256, in hex: that an entry holds the same bytes, that every byte of the
// vehicle's entries and its chain verify, and which verdict was kept and still
// holds. vehicle narrows the search; "" looks through the whole archive. The
// entry is nil if none holds the image: the evidence then says so, and is
// unproven.
func Evidence(ctx context.Context, r *archive.Reader, vehicle, sum string) (*diffmap.ArchiveEvidence, *archive.Entry, error) {
	if !archive.IsSHA256(sum) {
		return nil, nil, fmt.Errorf("%q is no SHA-256 of an image file", sum)
	}
	e, err := holder(ctx, r, vehicle, sum)
	if err != nil {
		return nil, nil, err
	}
	if e == nil {
		where := "the archive"
		if vehicle != "" {
			where = fmt.Sprintf("vehicle %q", vehicle)
		}
		return &diffmap.ArchiveEvidence{Entry: "none", Verified: evidence.Unproven, Kept: evidence.Unproven, Restorable: evidence.Unproven,
			Detail: fmt.Sprintf("no backup of %s holds the bytes of the original; keep it with `calproof archive add`", where)}, nil, nil
	}
	ev := &diffmap.ArchiveEvidence{Entry: e.Ref()}
	var own *archive.EntryVerification
	check, err := r.Verify(ctx, archive.VerifyOptions{Vehicle: e.Folder, BothHashes: true, Recompute: Recompute, Each: func(v *archive.VehicleVerification) {
		for i := range v.Entries {
			if v.Entries[i].Entry == e.Name {
				own = &v.Entries[i]
			}
		}
	}})
	if err != nil {
		return nil, nil, err
	}
	// A fault anywhere in the chain says that somebody or something changed
	// this vehicle's record, and nothing in it can be relied upon.
	ev.Verified = check.Verdict
	ev.Kept = keptVerdict(e)
	for _, f := range check.Findings {
		if f.Severity != evidence.Note && ev.Detail == "" {
			ev.Detail = f.Message
		}
	}
	if own == nil { // gone since it was found
		ev.Verified = evidence.Fail
	}
	// Restored bytes with the hash of the original are the original's.
	restored := sha256.New()
	err = r.Restore(ctx, e, restored)
	ev.Restorable = evidence.Pass
	if err != nil || hex.EncodeToString(restored.Sum(nil)) != sum {
		ev.Restorable = evidence.Fail
		ev.Detail = fmt.Sprintf("restoring it gives other bytes: %v", err)
	}
	return ev, e, nil
}

// holder returns the backup entry that holds an image, the one with the best
// kept verdict if several do, or nil.
func holder(ctx context.Context, r *archive.Reader, vehicle, sum string) (*archive.Entry, error) {
	var found []archive.Entry
	if vehicle != "" {
		v, err := r.Vehicle(ctx, vehicle)
		if err != nil && !errors.Is(err, archive.ErrNotFound) {
			return nil, err
		}
		if err == nil {
			found = v.Entries
		}
	} else {
		var err error
		if found, err = r.Find(ctx, sum); err != nil {
			return nil, err
		}
	}
	var best *archive.Entry
	for i := range found {
		e := &found[i]
		if e.ImageSHA256 != sum || e.Kind != archive.Backup {
			continue
		}
		if best == nil || best.Verdict != evidence.Pass && e.Verdict == evidence.Pass {
			best = e
		}
	}
	return best, nil
}

// Near is the kept image nearest to another.
type Near struct {
	Entry archive.Entry
	Bytes uint64          // that differ, or that one of the two does not hold
	Diff  *diffmap.Result // by region and table, with the map kept with the entry
}

// Nearest returns the kept image that differs from im in the fewest bytes, or
// nil if none was kept; of several, one that was kept with a map. im must be as
// its file gives it, not arranged by a map: each kept image is compared by the
// map of its own entry.
func Nearest(ctx context.Context, r *archive.Reader, im *image.Image) (*Near, error) {
	var best *Near
	withMap := map[string]bool{} // whether an image that was seen has a map
	for v, err := range r.Vehicles(ctx) {
		if err != nil {
			return nil, err
		}
		for i := range v.Entries {
			e := &v.Entries[i]
			had, seen := withMap[e.ImageSHA256]
			mapped := e.MapPath != ""
			if e.ImagePath == "" || seen && (had || !mapped) {
				continue
			}
			withMap[e.ImageSHA256] = mapped
			b, err := openImage(r.Kept(e), e.ImagePath, nil)
			if err != nil {
				continue // damaged or of another format: no neighbour, and verify's business
			}
			diff, err := diffmap.Compare(b.Image, im, nil, diffmap.Options{})
			if err != nil {
				return nil, err
			}
			bytes := diff.BytesChanged + image.TotalSize(diff.Appeared) + image.TotalSize(diff.Vanished)
			if best == nil || bytes < best.Bytes || bytes == best.Bytes && best.Entry.MapPath == "" && mapped {
				best = &Near{Entry: *e, Bytes: bytes, Diff: diff}
			}
		}
	}
	if best == nil {
		return nil, nil
	}
	return best, best.byRegion(r, im)
}

// byRegion compares again with the map kept with the entry, if there is one.
func (n *Near) byRegion(r *archive.Reader, im *image.Image) error {
	files, err := openKept(r.Kept(&n.Entry))
	if err != nil || files.image.Map == nil {
		return nil // by addresses only, as it is
	}
	m := files.image.Map
	arranged, err := m.Arrange(im)
	if err != nil {
		return nil // the map does not fit the unknown image
	}
	diff, err := diffmap.Compare(files.image.Image, arranged, m, diffmap.Options{})
	if err != nil {
		return err
	}
	n.Diff = diff
	return nil
}
