package edits

import (
	"bytes"
	"slices"
	"sort"

	"example.com/calproof/image"
)

// maxLayers is how deep edits that lie over one another are followed.
const maxLayers = 16

// layer is bytes that an edit is seen to have written.
type layer struct {
	rng  image.Range
	edit int
}

// overlay judges again what is neither as before nor as after, by the edits
// that are present: what lies under one of them is no evidence, and the rest of
// a range speaks for itself if its bytes were kept. An edit that shows under
// the topmost one may itself lie over a third, hence the rounds.
func overlay(im *image.Image, edits []Edit, found []Found) error {
	for range maxLayers {
		layers, reach := layersOf(found)
		settled := true
		for i := range found {
			for k := range found[i].Stretches {
				s := &found[i].Stretches[k]
				if len(s.As.Neither) == 0 {
					continue
				}
				over := above(layers, reach, i, s.As.Neither)
				if len(over) == 0 {
					continue
				}
				again, explained, err := underneath(im, edits[i].Stretches[k], *s, over)
				if err != nil {
					return err
				}
				if !explained {
					continue
				}
				settled = false
				s.As, s.State = again, again.state()
				for _, l := range over {
					if name := found[l.edit].Edit; !slices.Contains(s.Over, name) {
						s.Over = append(s.Over, name)
					}
				}
			}
		}
		if settled {
			break
		}
	}
	return nil
}

// layersOf returns what present and overlaid stretches wrote, by address, and
// the size of the longest.
func layersOf(found []Found) (layers []layer, reach uint64) {
	for i, f := range found {
		for _, s := range f.Stretches {
			if s.State != Present && s.State != Overlaid {
				continue
			}
			for _, r := range s.As.After {
				layers = append(layers, layer{r, i})
				reach = max(reach, r.Size)
			}
		}
	}
	slices.SortStableFunc(layers, func(a, b layer) int {
		switch {
		case a.rng.Start < b.rng.Start:
			return -1
		case a.rng.Start > b.rng.Start:
			return 1
		}
		return 0
	})
	return layers, reach
}

// above returns the layers of other edits than the given one that meet ranges.
func above(layers []layer, reach uint64, edit int, ranges []image.Range) []layer {
	var out []layer
	for _, r := range ranges {
		first := r.Start - min(r.Start, reach)
		at := sort.Search(len(layers), func(i int) bool { return layers[i].rng.Start >= first })
		for _, l := range layers[at:] {
			if l.rng.Start > r.Last() {
				break
			}
			if _, meets := l.rng.Intersect(r); meets && l.edit != edit {
				out = append(out, l)
			}
		}
	}
	return out
}

// underneath sorts the ranges of s that are neither as before nor as after once
// more, with over lying over them. explained is false if nothing was gained.
func underneath(im *image.Image, recorded Stretch, s FoundStretch, over []layer) (out Split, explained bool, err error) {
	var cover []image.Range
	for _, l := range over {
		cover = append(cover, l.rng)
	}
	cover = image.MergeRanges(cover)
	out = Split{After: s.As.After, Before: s.As.Before, Under: s.As.Under}
	for _, c := range recorded.Changes {
		r := image.Range{Start: c.Range.Start + uint64(s.Shift), Size: c.Range.Size}
		if !slices.Contains(s.As.Neither, r) {
			continue
		}
		seen := image.SubtractRanges([]image.Range{r}, cover)
		if image.TotalSize(seen) == r.Size {
			out.Neither = append(out.Neither, r)
			continue
		}
		if len(seen) > 0 && c.After.Data == nil {
			// Only hashes of the whole were kept: its parts cannot be told.
			out.Under, explained = append(out.Under, r), true
			continue
		}
		after, before := true, true
		for _, part := range seen {
			data, err := im.Bytes(part)
			if err != nil {
				return out, false, err
			}
			from := part.Start - r.Start
			after = after && bytes.Equal(data, c.After.Data[from:from+part.Size])
			before = before && c.Before.Data != nil && bytes.Equal(data, c.Before.Data[from:from+part.Size])
		}
		switch {
		case len(seen) == 0:
		case after:
			out.After = append(out.After, seen...)
		case before:
			out.Before = append(out.Before, seen...)
		default:
			out.Neither = append(out.Neither, r)
			continue
		}
		explained = true
		out.Under = append(out.Under, image.SubtractRanges([]image.Range{r}, seen)...)
	}
	return out, explained, nil
}
