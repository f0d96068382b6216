package readcheck

import (
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// checkHoles looks for stretches of one repeated byte where the map expects
// content. What lies in proved, under checksums that agree, is left alone.
func (x *examiner) checkHoles(proved []image.Range) {
	for _, region := range x.m.Regions {
		if region.Content != maps.ContentExpected {
			continue
		}
		for _, s := range x.c.spans {
			part, ok := region.Range.Intersect(image.Range{Start: s.start, Size: uint64(len(s.data))})
			if !ok {
				continue
			}
			data := s.data[part.Start-s.start:][:part.Size]
			if len(data) >= x.lim.region && isFill(data) {
				x.found(CodeRegionBlank, evidence.Fault, []image.Range{part},
					"region %q holds nothing but 0x%02X, at %s, and the map expects content; read the whole memory again and compare the two reads", region.Name, data[0], part)
				continue
			}
			for _, h := range fillRuns(data, x.lim.holeBytes) {
				r := image.Range{Start: part.Start + uint64(h.start), Size: uint64(h.end - h.start)}
				if len(image.SubtractRanges([]image.Range{r}, proved)) == 0 {
					continue
				}
				code, what := CodeHole, "a hole"
				if data[h.start] == x.m.Image.Erased {
					code, what = CodeErasedPart, "erased"
				}
				x.found(code, evidence.Caution, []image.Range{r},
					"%d bytes of region %q at %s are all 0x%02X (%s) where the map expects content, and no agreeing checksum covers them; compare them with a second read, or say in the map that they may be erased", r.Size, region.Name, r, data[h.start], what)
			}
		}
	}
}

// fillRun is a stretch data[start:end] of one value.
type fillRun struct{ start, end int }

// fillRuns returns the longest stretches of one value in data that are at
// least least bytes long. It looks at every least/2-th byte first, so content
// without long stretches costs little.
func fillRuns(data []byte, least int) []fillRun {
	least = max(least, 2)
	var out []fillRun
	step := least / 2
	for i := step - 1; i < len(data); i += step {
		from, to := i-step+1, i+1
		if !isFill(data[from:to]) {
			continue
		}
		v := data[i]
		for from > 0 && data[from-1] == v {
			from--
		}
		for to < len(data) && data[to] == v {
			to++
		}
		if to-from >= least {
			out = append(out, fillRun{from, to})
		}
		i = max(i, (to/step)*step-1)
	}
	return out
}
