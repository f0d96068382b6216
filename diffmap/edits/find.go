package edits

import (
	"fmt"

	"example.com/calproof/image"
)

// State says whether an edit is in an image.
type State string

const (
	Present   State = "present"   // every changed byte is as the edit leaves it
	Absent    State = "absent"    // every changed byte is as it was before the edit
	Partly    State = "partly"    // some are as after, the others as before
	Overlaid  State = "overlaid"  // another edit, which is present, lies over part or all of it; what shows is as after
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
	Under   []image.Range `json:"under,omitempty"` // held by another present edit, so nothing can be told of this one
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
	if err := overlay(im, file.Edits, found); err != nil {
		return nil, fmt.Errorf("find edits: %w", err)
	}
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
		if !im.Covers(r) {
			fs.As.Neither = append(fs.As.Neither, r)
			continue
		}
		data, err := im.Bytes(r)
		switch {
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
	case len(s.Before) > 0 && len(s.After) > 0:
		return Partly
	case len(s.Before) > 0:
		return Absent
	case len(s.Under) > 0:
		return Overlaid
	}
	return Present
}

// joint is the state of an edit from the states of its stretches. A stretch
// that lies wholly under another edit says nothing and leaves the word to the
// others.
func joint(stretches []FoundStretch) State {
	var all Split
	for _, s := range stretches {
		all.After = append(all.After, s.As.After...)
		all.Before = append(all.Before, s.As.Before...)
		all.Neither = append(all.Neither, s.As.Neither...)
		all.Under = append(all.Under, s.As.Under...)
	}
	return all.state()
}
