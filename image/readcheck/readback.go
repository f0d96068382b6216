package readcheck

import (
	"fmt"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Readback is whether a controller holds what was written to it.
type Readback struct {
	Verdict   evidence.Verdict   `json:"verdict"`
	Findings  []evidence.Finding `json:"findings"`
	Compared  uint64             `json:"compared"` // addresses that both images hold
	Differ    uint64             `json:"differ"`
	Where     []RegionDiff       `json:"where,omitempty"`
	Pair      PairDiff           `json:"pair"` // how what was read differs from what was written
	Ranges    []image.Range      `json:"ranges,omitempty"`
	Truncated bool               `json:"truncated,omitempty"`
}

// adviceAfterWrite is what to do when a write failed: common practice, no
// source.
const adviceAfterWrite = "do not switch the controller off and keep the supply up; write the image again, and if that fails restore the backup (common practice, no source)"

// CompareReadback compares what was read back from a controller with what was
// written to it. Adaptation regions are set aside: the controller may have
// learned since. m may be nil: then a difference leaves the verdict unproven, and
// so does, with a map, a part of the memory that neither image holds: it was not
// compared. It reads each image once, like [Agree].
func CompareReadback(m *maps.Map, written, read *image.Image) (*Readback, error) {
	if written == nil || read == nil {
		return nil, fmt.Errorf("readback: the image written or the image read is missing; give both")
	}
	pair := []*image.Image{written, read}
	c := newComparison(m, pair)
	c.original = "what was written"
	err := sideBySide("image %d", pair, func(addr uint64, blocks [][]byte) error { c.Take(addr, blocks); return nil })
	if err != nil {
		return nil, err
	}
	c.finish()
	ag, common := c.ag, c.common
	x := &examiner{m: m, lim: c.lim}
	for _, side := range []struct {
		name, other string
		im          *image.Image
	}{{"what was written", "what was read back", written}, {"what was read back", "what was written", read}} {
		if extra := image.SubtractRanges(side.im.Segments(), common); len(extra) > 0 {
			x.found(CodeReadbackCoverage, evidence.Fault, extra, "%s holds %s that %s lacks (%s); read back all of it before switching off",
				side.name, evidence.Count(image.TotalSize(extra), "byte"), side.other, evidence.Ranges(extra))
		}
	}
	if err := x.checkReadbackWhole(written, read); err != nil {
		return nil, err
	}
	learned := uint64(0)
	for _, w := range ag.Where {
		if w.Role == maps.RoleAdaptation {
			learned += w.Bytes
		}
	}
	wrong := ag.Differ - learned
	detail := x.pairDetail(ag.Pairs, func(PairDiff) string { return "read back against written" })
	switch {
	case ag.Compared == 0:
		x.found(CodeReadbackCoverage, evidence.Fault, nil, "the two images have no address in common; give raw files the same base")
	case wrong > 0 && m == nil:
		x.found(CodeReadbackDiffers, evidence.Caution, ag.Ranges,
			"%s %s from what was written (%s)%s; without a map values the controller learns cannot be told from a failed write, so give one with --map, and until then %s",
			evidence.Count(wrong, "byte"), differ(wrong), evidence.Ranges(ag.Ranges), detail, adviceAfterWrite)
	case wrong > 0:
		ranges := x.outsideAdaptation(ag.Ranges)
		x.found(CodeReadbackDiffers, evidence.Fault, ranges,
			"%s outside the adaptation regions %s from what was written (%s; %s)%s; %s",
			evidence.Count(wrong, "byte"), differ(wrong), regionList(ag.Where), evidence.Ranges(ranges), detail, adviceAfterWrite)
	case learned > 0:
		x.found(CodeReadbackLearned, evidence.Note, ag.Ranges,
			"all bytes outside the adaptation regions are as written; %s in them %s, which the controller may have learned", evidence.Count(learned, "byte"), differ(learned))
	default:
		x.found(CodeReadbackEqual, evidence.Note, nil, "%s compared, and all as written", evidence.Count(ag.Compared, "byte"))
	}
	sortFindings(x.findings)
	return &Readback{Verdict: evidence.Judge(x.findings), Findings: x.findings, Compared: ag.Compared, Differ: ag.Differ,
		Where: ag.Where, Pair: ag.Pairs[0], Ranges: ag.Ranges, Truncated: ag.Truncated}, nil
}

// differ is the verb for n bytes.
func differ(n uint64) string {
	if n == 1 {
		return "differs"
	}
	return "differ"
}

// checkReadbackWhole reports what the memory has by the map and neither image
// holds. What by the map need not be read, see [maps.Bound.Coverage], is a note.
func (x *examiner) checkReadbackWhole(written, read *image.Image) error {
	if x.m == nil {
		return nil
	}
	lacking := image.SubtractRanges(x.m.Extent(), append(slices.Clone(written.Segments()), read.Segments()...))
	if len(lacking) == 0 {
		return nil
	}
	b, err := maps.Bind(x.m, written)
	if err != nil {
		return fmt.Errorf("readback: %w", err)
	}
	severity := evidence.Note
	for _, f := range b.Coverage() {
		if (f.Code == maps.CodeSize || f.Code == maps.CodeMissing) && f.Severity != evidence.Note {
			severity = evidence.Caution
		}
	}
	x.found(CodeReadbackCoverage, severity, lacking,
		"neither what was written nor what was read back holds %s of the memory that the map describes (%s), so nothing was compared there; if that was to be written too, write and read back the whole memory",
		evidence.Count(image.TotalSize(lacking), "byte"), evidence.Ranges(lacking))
	return nil
}
