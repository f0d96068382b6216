package edits

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"

	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// State says whether an edit is in an image.
type State string

const (
	Present   State = "present"   // every changed byte is as the edit leaves it
	Absent    State = "absent"    // every changed byte is as it was before the edit
	Partly    State = "partly"    // some are as after, the others as before
	Overlaid  State = "overlaid"  // another edit, which is present, lies over part of it
	Different State = "different" // some bytes are neither as before nor as after
)

// Found is what an image says about one edit.
type Found struct {
	Edit      string         `json:"edit"`
	State     State          `json:"state"`
	Stretches []FoundStretch `json:"stretches"`
}

// FoundStretch is what an image says about one stretch of an edit.
type FoundStretch struct {
	Recorded   image.Range `json:"recorded"` // from the first to the last changed byte when it was recorded
	At         image.Range `json:"at"`       // where it is judged in this image
	Shift      int64       `json:"shift"`    // At.Start - Recorded.Start
	Confidence Confidence  `json:"confidence"`
	State      State       `json:"state"`
	As         Split       `json:"as"`
	Over       []string    `json:"over,omitempty"` // names of the present edits that lie over it
}

// Split sorts the changed ranges of a stretch by what they hold, at the
// addresses of this image.
type Split struct {
	After   []image.Range `json:"after,omitempty"`
	Before  []image.Range `json:"before,omitempty"`
	Neither []image.Range `json:"neither,omitempty"`
}

// Confidence says why a stretch is judged where it is.
type Confidence string

const (
	BothAnchors Confidence = "both-anchors" // the bytes before and after it are the recorded ones
	OneAnchor   Confidence = "one-anchor"   // the bytes on one side are
	AddressOnly Confidence = "address-only" // neither side is; judged at the recorded address because nothing better was found
	Ambiguous   Confidence = "ambiguous"    // its anchors were found at several places; judged at the recorded address
)

// Find says of every edit in file whether it is in im. m may be nil. It reads
// im once to look for moved stretches.
func Find(im *image.Image, file *File) ([]Found, error) {
	places, err := locate(im, file.Edits)
	if err != nil {
		return nil, fmt.Errorf("find edits: %w", err)
	}
	found := make([]Found, len(file.Edits))
	for i, e := range file.Edits {
		found[i] = Found{Edit: e.Name}
		for k, s := range e.Stretches {
			fs, err := judge(im, s, places[i][k])
			if err != nil {
				return nil, fmt.Errorf("find edit %q: %w", e.Name, err)
			}
			found[i].Stretches = append(found[i].Stretches, fs)
		}
	}
	overlay(found)
	for i := range found {
		found[i].State = joint(found[i].Stretches)
	}
	return found, nil
}

// judge compares the changed ranges of s, moved to where it was located.
func judge(im *image.Image, s Stretch, at place) (FoundStretch, error) {
	span := s.Span()
	fs := FoundStretch{
		Recorded: span, Shift: at.shift, Confidence: at.confidence,
		At: image.Range{Start: span.Start + uint64(at.shift), Size: span.Size},
	}
	for _, c := range s.Changes {
		r := image.Range{Start: c.Range.Start + uint64(at.shift), Size: c.Range.Size}
		data, err := im.Bytes(r)
		var gap *image.GapError
		switch {
		case errors.As(err, &gap):
			fs.As.Neither = append(fs.As.Neither, r)
		case err != nil:
			return fs, err
		case c.After.equal(data):
			fs.As.After = append(fs.As.After, r)
		case c.Before.equal(data):
			fs.As.Before = append(fs.As.Before, r)
		default:
			fs.As.Neither = append(fs.As.Neither, r)
		}
	}
	fs.State = fs.As.state()
	return fs, nil
}

func (s Split) state() State {
	switch {
	case len(s.Neither) > 0:
		return Different
	case len(s.Before) == 0:
		return Present
	case len(s.After) == 0:
		return Absent
	}
	return Partly
}

// overlay finds stretches that are not there because a present stretch of
// another edit lies over them.
func overlay(found []Found) {
	for i := range found {
		for k := range found[i].Stretches {
			s := &found[i].Stretches[k]
			if s.State != Different && s.State != Partly {
				continue
			}
			missing := append(slices.Clone(s.As.Neither), s.As.Before...)
			var cover []image.Range
			for j := range found {
				if j == i {
					continue
				}
				for _, other := range found[j].Stretches {
					if other.State == Present && overlaps(other.As.After, missing) {
						cover = append(cover, other.As.After...)
						s.Over = append(s.Over, found[j].Edit)
						break
					}
				}
			}
			// Only bytes that the other edit explains count as overlaid.
			if len(s.Over) > 0 && touchesAll(cover, s.As.Neither) {
				s.State = Overlaid
			}
		}
	}
}

func overlaps(a, b []image.Range) bool {
	for _, x := range a {
		for _, y := range b {
			if _, ok := x.Intersect(y); ok {
				return true
			}
		}
	}
	return false
}

// touchesAll reports whether every range of rs meets a range of cover.
func touchesAll(cover, rs []image.Range) bool {
	for _, r := range rs {
		if !overlaps(cover, []image.Range{r}) {
			return false
		}
	}
	return true
}

// joint is the state of an edit from the states of its stretches.
func joint(stretches []FoundStretch) State {
	count := map[State]int{}
	for _, s := range stretches {
		count[s.State]++
	}
	switch n := len(stretches); {
	case count[Different] > 0:
		return Different
	case count[Present] == n:
		return Present
	case count[Absent] == n:
		return Absent
	case count[Overlaid] > 0 && count[Absent] == 0 && count[Partly] == 0:
		return Overlaid
	}
	return Partly
}

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
		case was.State == Absent && (is.State == Present || is.State == Overlaid):
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
	}
	return image.MergeRanges(out)
}

// place is where a stretch is judged.
type place struct {
	shift      int64
	confidence Confidence
}

// maxHits bounds how many places of one anchor are remembered: one that is
// found more often tells nothing.
const maxHits = 16

// anchorKey names one anchor of one stretch.
type anchorKey struct {
	edit, stretch int
	trail         bool
}

// locate decides where each stretch of each edit is judged in im.
func locate(im *image.Image, edits []Edit) ([][]place, error) {
	hits, err := scan(im, edits)
	if err != nil {
		return nil, err
	}
	places := make([][]place, len(edits))
	for i, e := range edits {
		places[i] = make([]place, len(e.Stretches))
		for k, s := range e.Stretches {
			span := s.Span()
			lead := shifts(hits[anchorKey{i, k, false}], span.Start-AnchorSize)
			trail := shifts(hits[anchorKey{i, k, true}], span.Last()+1)
			places[i][k] = choose(lead, trail)
		}
	}
	return places, nil
}

func shifts(found []uint64, recorded uint64) []int64 {
	out := make([]int64, len(found))
	for i, at := range found {
		out[i] = int64(at - recorded)
	}
	return out
}

// choose prefers the recorded address, then the only place where both anchors
// stand, then the only place where one does.
func choose(lead, trail []int64) place {
	var both []int64
	for _, s := range lead {
		if slices.Contains(trail, s) {
			both = append(both, s)
		}
	}
	either := slices.Concat(lead, trail)
	switch {
	case slices.Contains(both, 0):
		return place{0, BothAnchors}
	case len(both) == 1:
		return place{both[0], BothAnchors}
	case slices.Contains(either, 0):
		return place{0, OneAnchor}
	case len(both) > 1:
		return place{0, Ambiguous}
	case len(either) == 1:
		return place{either[0], OneAnchor}
	case len(either) > 1:
		return place{0, Ambiguous}
	}
	return place{0, AddressOnly}
}

// scan finds every anchor of every edit in one pass over im, moving an Adler-32
// of AnchorSize bytes along each segment.
func scan(im *image.Image, edits []Edit) (map[anchorKey][]uint64, error) {
	wanted := map[uint32][]anchorKey{}
	var maybe [1 << 16]bool // low halves of the wanted sums: nearly every position ends here
	for i, e := range edits {
		for k, s := range e.Stretches {
			if s.Lead.exists() {
				wanted[s.Lead.Adler32] = append(wanted[s.Lead.Adler32], anchorKey{i, k, false})
				maybe[uint16(s.Lead.Adler32)] = true
			}
			if s.Trail.exists() {
				wanted[s.Trail.Adler32] = append(wanted[s.Trail.Adler32], anchorKey{i, k, true})
				maybe[uint16(s.Trail.Adler32)] = true
			}
		}
	}
	hits := map[anchorKey][]uint64{}
	if len(wanted) == 0 {
		return hits, nil
	}
	check := func(start uint64, sum uint32, window []byte) {
		keys := wanted[sum]
		if len(keys) == 0 {
			return
		}
		hash := sha256.Sum256(window)
		for _, key := range keys {
			s := edits[key.edit].Stretches[key.stretch]
			anchor := s.Lead
			if key.trail {
				anchor = s.Trail
			}
			if anchor.SHA256 == hash && len(hits[key]) < maxHits {
				hits[key] = append(hits[key], start)
			}
		}
	}
	for _, seg := range im.Segments() {
		var w window
		err := im.Blocks(seg, func(addr uint64, block []byte) error {
			for i, b := range block {
				if w.push(b) && maybe[uint16(w.a+1)] {
					check(addr+uint64(i)-(AnchorSize-1), w.sum(), w.bytes())
				}
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return hits, nil
}

// window is the last AnchorSize bytes of a stream with their Adler-32 (RFC
// 1950 section 8.2), kept as the two sums that a step forward can mend: the
// window is far too short for either to reach the modulus 65521 unreduced in
// 32 bits, so they are reduced only when the value is asked for.
type window struct {
	ring [2 * AnchorSize]byte // every byte is stored twice, so that the window is always one slice
	next int
	full bool
	a, b uint32 // sum of the bytes; sum of the bytes weighted by AnchorSize for the oldest down to 1
}

// push adds a byte and reports whether the window is full.
func (w *window) push(c byte) bool {
	old := w.ring[w.next]
	w.ring[w.next], w.ring[w.next+AnchorSize] = c, c
	if w.full {
		w.b += w.a - (AnchorSize+1)*uint32(old) + uint32(c)
		w.a += uint32(c) - uint32(old)
	} else {
		w.a += uint32(c)
		w.b += uint32(AnchorSize-w.next) * uint32(c)
	}
	if w.next++; w.next == AnchorSize {
		w.next, w.full = 0, true
	}
	return w.full
}

func (w *window) sum() uint32 {
	const mod = 65521
	return (w.b+AnchorSize)%mod<<16 | (w.a+1)%mod
}

func (w *window) bytes() []byte { return w.ring[w.next : w.next+AnchorSize] }
