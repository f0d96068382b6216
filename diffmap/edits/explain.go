package edits

import (
	"fmt"

	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// Explanation says which recorded edits account for the difference of two
// images.
type Explanation struct {
	Recognised  []Recognised  `json:"recognised"`            // in the order of the edits file
	Ignored     []image.Range `json:"ignored,omitempty"`     // stored checksum values and adaptation regions
	Unexplained []image.Range `json:"unexplained,omitempty"` // changed, and part of no recognised edit
	Bytes       uint64        `json:"unexplained_bytes"`
}

// Recognised is an edit that was made from the first image to the second.
type Recognised struct {
	Edit   string        `json:"edit"`
	Undone bool          `json:"undone,omitempty"` // it was taken out, not put in
	Shift  bool          `json:"shifted,omitempty"`
	Ranges []image.Range `json:"ranges"` // what it changed, at the addresses of the images
}

// Explain names the edits that lead from original to modified and lists what
// no recorded edit explains. m may be nil.
func Explain(original, modified *image.Image, m *maps.Map, file *File) (*Explanation, error) {
	diff, err := diffmap.Compare(original, modified, m, diffmap.Options{MaxChanges: -1})
	if err != nil {
		return nil, fmt.Errorf("explain changes: %w", err)
	}
	before, err := Find(original, file)
	if err != nil {
		return nil, err
	}
	after, err := Find(modified, file)
	if err != nil {
		return nil, err
	}
	out := &Explanation{Recognised: []Recognised{}}
	var explained []image.Range
	for i := range before {
		was, is := before[i], after[i]
		r := Recognised{Edit: is.Edit}
		switch {
		case was.State == Absent && (is.State == Present || is.State == Overlaid && shows(is)):
			r.Ranges = placed(is)
		case was.State == Present && is.State == Absent:
			r.Undone, r.Ranges = true, placed(was)
		default:
			continue
		}
		for _, s := range is.Stretches {
			r.Shift = r.Shift || s.Shift != 0
		}
		explained = append(explained, r.Ranges...)
		out.Recognised = append(out.Recognised, r)
	}
	changed := make([]image.Range, len(diff.Changes))
	for i, c := range diff.Changes {
		changed[i] = c.Range
	}
	left := image.SubtractRanges(changed, explained)
	if m != nil {
		fields, learnt := neverPart(m, diff.Checksums)
		never := append(fields, learnt...)
		rest := image.SubtractRanges(left, never)
		out.Ignored = image.SubtractRanges(left, rest)
		left = rest
	}
	out.Unexplained, out.Bytes = left, image.TotalSize(left)
	return out, nil
}

// placed returns the changed ranges of an edit at the addresses it was found.
func placed(f Found) []image.Range {
	var out []image.Range
	for _, s := range f.Stretches {
		out = append(out, s.As.After...)
		out = append(out, s.As.Before...)
		out = append(out, s.As.Neither...)
		out = append(out, s.As.Under...)
	}
	return image.MergeRanges(out)
}

// shows reports whether any byte of an edit can be seen: one that lies wholly
// under another edit may never have been made.
func shows(f Found) bool {
	for _, s := range f.Stretches {
		if len(s.As.After) > 0 {
			return true
		}
	}
	return false
}
