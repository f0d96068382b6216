package keeping

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"example.com/calproof/image/archive"
	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/maps"
)

// Parent returns the SHA-256 of the image that a new entry was made from. ref
// is what the user named: an entry of the vehicle or a hash. If it is "", a
// modified image was made from the newest backup, and a readback from the
// newest modified image or, if there is none, backup; a backup has no parent.
func Parent(ctx context.Context, r *archive.Reader, vehicle string, kind archive.Kind, ref string) (string, error) {
	if hash := strings.ToLower(ref); archive.IsSHA256(hash) {
		return hash, nil
	}
	if ref == "" && kind == archive.Backup {
		return "", nil
	}
	v, err := r.Vehicle(ctx, vehicle)
	if ref == "" && errors.Is(err, archive.ErrNotFound) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	if ref != "" {
		e, err := v.Entry(ref)
		if err != nil {
			return "", fmt.Errorf("parent: %w", err)
		}
		if e.ImageSHA256 == "" {
			return "", fmt.Errorf("parent: entry %s holds no image", e.Ref())
		}
		return e.ImageSHA256, nil
	}
	best := ""
	for _, e := range v.Entries {
		switch {
		case e.Kind == archive.Backup && (kind == archive.Modified || best == ""):
			best = e.ImageSHA256
		case kind == archive.Readback && (e.Kind == archive.Modified || e.Kind == archive.GateRecord):
			best = e.ImageSHA256
		}
	}
	return best, nil
}

// Controller returns the identity fields of an image as they are kept with it.
// There are none without a map.
func Controller(b *maps.Bound) bagit.Fields {
	var out bagit.Fields
	for _, f := range b.Identity() {
		label, value := bagit.Squeeze(f.Name), bagit.Squeeze(f.Value)
		if f.Problem == "" && value != "" && !strings.Contains(label, " = ") {
			out = append(out, bagit.Field{Label: label, Value: value})
		}
	}
	return out
}
