package edits

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"hash/adler32"

	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// Edit is one named change.
type Edit struct {
	Name      string
	Note      string    // for people
	Cells     []string  // what it does to tables, in units, for people
	Stretches []Stretch // by address
}

// Stretch is changed bytes that lie close together, with the unchanged bytes
// around them.
type Stretch struct {
	Changes     []Change // by address, never touching
	Lead, Trail Anchor   // of AnchorSize bytes before the first and after the last changed byte
}

// Span returns the range from the first to the last changed byte.
func (s Stretch) Span() image.Range {
	first, last := s.Changes[0].Range, s.Changes[len(s.Changes)-1].Range
	return image.Range{Start: first.Start, Size: last.Last() - first.Start + 1}
}

// Change is one range of bytes that all differ.
type Change struct {
	Range  image.Range
	Region string // name of the region it starts in, "" without a map
	Before Bytes
	After  Bytes
}

// Bytes are some bytes, or only their SHA-256 when the user does not want to
// keep them. A hash of few bytes hides little: all values can be tried.
type Bytes struct {
	Data   []byte            // nil when only the hash is kept
	SHA256 [sha256.Size]byte // of the bytes; always set
}

func keep(data []byte, hashOnly bool) Bytes {
	b := Bytes{SHA256: sha256.Sum256(data)}
	if !hashOnly {
		b.Data = data
	}
	return b
}

func (b Bytes) equal(data []byte) bool { return sha256.Sum256(data) == b.SHA256 }

// AnchorSize is the number of bytes of an anchor.
const AnchorSize = 32

// joinGap is how many equal bytes may lie between two changes of one stretch.
// It is the anchor's size, so that no anchor holds a byte of its own edit.
const joinGap = AnchorSize

// Anchor is AnchorSize unchanged bytes beside a stretch, as hashes. The zero
// value means there is none: the image ended there, or the bytes were all the
// same and would be found everywhere.
type Anchor struct {
	Adler32 uint32 // RFC 1950; cheap to move along an image
	SHA256  [sha256.Size]byte
}

func (a Anchor) exists() bool { return a != Anchor{} }

// RecordOptions say what to keep.
type RecordOptions struct {
	Name     string
	Note     string
	HashOnly bool // keep hashes instead of bytes
}

// Recording is an edit and what was left out of it.
type Recording struct {
	Edit    Edit
	LeftOut []string // sentences: which changed bytes are no part of the edit, and why
}

// Limits of an edit, so that no file can make one without end.
const (
	MaxChanges = 10_000
	MaxBytes   = 1 << 20 // changed bytes
)

// Record describes what was done from original to modified. m may be nil; with
// a map, stored checksum values and adaptation regions are left out and table
// cells are described in units.
func Record(original, modified *image.Image, m *maps.Map, opts RecordOptions) (*Recording, error) {
	if err := checkName(opts.Name); err != nil {
		return nil, err
	}
	diff, err := diffmap.Compare(original, modified, m, diffmap.Options{MaxChanges: MaxChanges})
	if err != nil {
		return nil, fmt.Errorf("record edit: %w", err)
	}
	switch {
	case diff.Equal:
		return nil, errors.New("record edit: the two images are equal; give the image before and the image after the change")
	case len(diff.Appeared)+len(diff.Vanished) > 0:
		return nil, errors.New("record edit: the images do not hold the same addresses; an edit can only be recorded between images with equal coverage")
	case diff.ChangeCount > MaxChanges || diff.BytesChanged > MaxBytes:
		return nil, fmt.Errorf("record edit: %d changes of %d bytes in all are more than one edit may have (%d changes, %d bytes); are these two versions of the software?",
			diff.ChangeCount, diff.BytesChanged, MaxChanges, MaxBytes)
	}
	changed := make([]image.Range, len(diff.Changes))
	for i, c := range diff.Changes {
		changed[i] = c.Range
	}
	rec := &Recording{Edit: Edit{Name: opts.Name, Note: opts.Note}}
	kept := changed
	if m != nil {
		kept, rec.LeftOut = leaveOut(changed, diff, m)
	}
	if len(kept) == 0 {
		return nil, errors.New("record edit: only stored checksum values and adaptation regions changed; there is no edit to record")
	}
	for _, group := range group(kept) {
		s, err := newStretch(original, modified, m, group, opts.HashOnly)
		if err != nil {
			return nil, fmt.Errorf("record edit: %w", err)
		}
		rec.Edit.Stretches = append(rec.Edit.Stretches, s)
	}
	rec.Edit.Cells = describeCells(diff)
	return rec, nil
}

// neverPart returns the addresses that belong to no edit.
func neverPart(m *maps.Map, checksums []diffmap.RuleChange) (fields, learnt []image.Range) {
	for _, c := range checksums {
		for _, r := range []*image.Range{c.Before.Field, c.After.Field, c.Before.Cell, c.After.Cell} {
			if r != nil {
				fields = append(fields, *r)
			}
		}
	}
	for _, r := range m.Regions {
		if r.Role == maps.RoleAdaptation {
			learnt = append(learnt, r.Range)
		}
	}
	return image.MergeRanges(fields), image.MergeRanges(learnt)
}

func leaveOut(changed []image.Range, diff *diffmap.Result, m *maps.Map) (kept []image.Range, notes []string) {
	fields, learnt := neverPart(m, diff.Checksums)
	kept = image.SubtractRanges(changed, fields)
	if n := image.TotalSize(changed) - image.TotalSize(kept); n > 0 {
		notes = append(notes, fmt.Sprintf("%s of stored checksum values and cells that balance a sum: they follow from the rest", changedBytes(n)))
	}
	rest := image.SubtractRanges(kept, learnt)
	if n := image.TotalSize(kept) - image.TotalSize(rest); n > 0 {
		notes = append(notes, fmt.Sprintf("%s in adaptation regions: the controller learns them itself", changedBytes(n)))
	}
	return rest, notes
}

func changedBytes(n uint64) string {
	if n == 1 {
		return "1 changed byte"
	}
	return fmt.Sprintf("%d changed bytes", n)
}

// group joins sorted ranges that lie at most joinGap bytes apart.
func group(ranges []image.Range) [][]image.Range {
	var out [][]image.Range
	for _, r := range ranges {
		if n := len(out); n > 0 {
			last := out[n-1][len(out[n-1])-1]
			if r.Start-last.Last()-1 <= joinGap {
				out[n-1] = append(out[n-1], r)
				continue
			}
		}
		out = append(out, []image.Range{r})
	}
	return out
}

func newStretch(original, modified *image.Image, m *maps.Map, ranges []image.Range, hashOnly bool) (Stretch, error) {
	var s Stretch
	for _, r := range ranges {
		before, err := original.Bytes(r)
		if err != nil {
			return s, err
		}
		after, err := modified.Bytes(r)
		if err != nil {
			return s, err
		}
		c := Change{Range: r, Before: keep(before, hashOnly), After: keep(after, hashOnly)}
		if m != nil {
			if region, ok := m.RegionAt(r.Start); ok {
				c.Region = region.Name
			}
		}
		s.Changes = append(s.Changes, c)
	}
	span := s.Span()
	if span.Start >= AnchorSize {
		s.Lead = newAnchor(modified, image.Range{Start: span.Start - AnchorSize, Size: AnchorSize})
	}
	if next := span.Last() + 1; next != 0 && next+AnchorSize-1 > next {
		s.Trail = newAnchor(modified, image.Range{Start: next, Size: AnchorSize})
	}
	return s, nil
}

func newAnchor(im *image.Image, r image.Range) Anchor {
	data, err := im.Bytes(r)
	if err != nil || oneValue(data) {
		return Anchor{} // the image ends here, or fill that is found everywhere
	}
	return Anchor{Adler32: adler32.Checksum(data), SHA256: sha256.Sum256(data)}
}

func oneValue(data []byte) bool {
	for _, b := range data {
		if b != data[0] {
			return false
		}
	}
	return true
}

// maxCells is how many table cells an edit describes.
const maxCells = 64

func describeCells(diff *diffmap.Result) []string {
	var out []string
	total := 0
	for _, t := range diff.Tables {
		for _, cell := range t.Cells {
			if cell >= len(t.Before.Cells) || cell >= len(t.After.Cells) {
				continue
			}
			if total++; total > maxCells {
				continue
			}
			text := fmt.Sprintf("%s, %s: %s to %s", t.After.Name, diffmap.CellName(t.After, cell),
				diffmap.FormatCell(t.Before, cell), diffmap.FormatCell(t.After, cell))
			out = append(out, text)
		}
	}
	if more := total - maxCells; more > 0 {
		out = append(out, fmt.Sprintf("and %d cells more", more))
	}
	return out
}
