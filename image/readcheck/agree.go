package readcheck

import (
	"fmt"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Agreement is what repeated reads of one controller say about one another.
type Agreement struct {
	// Verdict is pass only if the reads agree and the examination of the first
	// one passes.
	Verdict   evidence.Verdict   `json:"verdict"`
	Agree     evidence.Verdict   `json:"agree"`                // whether the reads agree with one another, whatever they hold
	Findings  []evidence.Finding `json:"findings"`             // about the reads against one another, and about the first one
	NotJudged []string           `json:"not_judged,omitempty"` // what could not be judged of the first read, and why

	Compared uint64       `json:"compared"` // addresses that every read holds
	Differ   uint64       `json:"differ"`   // addresses at which not all reads hold the same byte
	Where    []RegionDiff `json:"where,omitempty"`
	Pairs    []PairDiff   `json:"pairs"` // every further read against the first

	// Ranges are the addresses that differ, sorted. Only the first maxRanges
	// are kept; Truncated says that there are more.
	Ranges    []image.Range `json:"ranges,omitempty"`
	Truncated bool          `json:"truncated,omitempty"`

	NoMajority []image.Range `json:"no_majority,omitempty"` // with three or more reads: addresses at which no value was read by more than half
}

// RegionDiff counts the differing addresses of one region of the map.
type RegionDiff struct {
	Name  string    `json:"name"` // "" for addresses outside every region
	Role  maps.Role `json:"role,omitempty"`
	Bytes uint64    `json:"bytes"`
}

// PairDiff is how one read differs from the first.
type PairDiff struct {
	Read      int       `json:"read"` // 2 for the second read
	Bytes     uint64    `json:"bytes"`
	OneToZero uint64    `json:"one_to_zero"` // bits that are 1 in the first read and 0 in this one
	ZeroToOne uint64    `json:"zero_to_one"`
	ByBit     [8]uint64 `json:"by_bit"`          // differing bits by bit number in the byte
	Block     int       `json:"block,omitempty"` // size of the transfer blocks, counted from the first address, to which the differences keep; 0 if to none
	Cause     string    `json:"cause,omitempty"` // what turns the first read into this one, if one simple fault does
}

// maxRanges bounds the list of differing addresses: two unrelated files of
// 64 MiB differ in tens of millions of places.
const maxRanges = 4096

// Agree compares two or more reads of one controller, whose addresses are the
// map's, and examines the first as [Examine] does. m may be nil: then nothing
// proves what the reads hold, and the verdict is at best unproven.
//
// The reads agree if they hold the same addresses and differ at most in
// adaptation regions; without a map any difference leaves that unproven.
// Agreement alone proves no read: a stuck line reads the same every time, and so
// does a reader that always stops at one place. The verdict is therefore pass
// only if the reads agree and the first one passes its examination, and fail if
// either fails.
//
// It reads each image once. To find a simple fault that explains differences it
// reads single bytes again; see [Examination] for what else is. It returns an
// error for fewer than two reads, for one that cannot be read, and for one too
// large to be examined.
func Agree(m *maps.Map, reads ...*image.Image) (*Agreement, error) {
	if _, err := NewComparison(m, reads...); err != nil {
		return nil, err
	}
	bound := make([]*maps.Bound, len(reads))
	for i, im := range reads {
		var err error
		if bound[i], err = maps.Bind(m, im); err != nil {
			return nil, fmt.Errorf("agreement: read %d: %w", i+1, err)
		}
	}
	return AgreeBound(bound...)
}

// AgreeBound is [Agree] for reads that were opened with their map, all with the
// same one or all with none.
func AgreeBound(reads ...*maps.Bound) (*Agreement, error) {
	var images []*image.Image
	var passes []*maps.Pass
	for i, b := range reads {
		if b == nil || b.Map != reads[0].Map {
			return nil, fmt.Errorf("agreement: read %d is missing, or bound to another map than the first; bind all to one", i+1)
		}
		images = append(images, b.Image)
		passes = append(passes, &maps.Pass{Bound: b, Name: fmt.Sprintf("read %d", i+1), Rules: i == 0})
	}
	if len(reads) == 0 {
		return nil, errTooFew(0)
	}
	c, err := NewComparison(reads[0].Map, images...)
	if err != nil {
		return nil, err
	}
	first, err := NewExamination(images[0])
	if err != nil {
		return nil, err
	}
	err = maps.ReadOnce(func(addr uint64, blocks [][]byte) error {
		first.Take(blocks[0])
		c.Take(addr, blocks)
		return nil
	}, passes...)
	if err != nil {
		return nil, err
	}
	read, err := first.Report(reads[0], passes[0].Results)
	if err != nil {
		return nil, fmt.Errorf("read 1: %w", err)
	}
	return c.Agreement(read), nil
}

func errTooFew(reads int) error {
	return fmt.Errorf("agreement needs two or more reads, %d given; read the controller again", reads)
}

// Differences returns the findings about the reads against one another, without
// those about what the first one holds.
func (a *Agreement) Differences() []evidence.Finding {
	out := []evidence.Finding{}
	for _, f := range a.Findings {
		switch f.Code {
		case CodeReadsCoverage, CodeReadsEqual, CodeReadsDiffer, CodeReadsDifferLearned, CodeReadsNoMajority:
			out = append(out, f)
		}
	}
	return out
}

// sideBySide reads images of which nothing else is computed. The format names
// them by their number, from 1 on.
func sideBySide(name string, images []*image.Image, visit func(addr uint64, blocks [][]byte) error) error {
	var passes []*maps.Pass
	for i, im := range images {
		passes = append(passes, &maps.Pass{Bound: &maps.Bound{Image: im}, Name: fmt.Sprintf(name, i+1)})
	}
	return maps.ReadOnce(visit, passes...)
}

// commonRanges returns the addresses that every read holds.
func commonRanges(reads []*image.Image) []image.Range {
	common := reads[0].Segments()
	for _, r := range reads[1:] {
		var both []image.Range
		for _, a := range common {
			for _, b := range r.Segments() {
				if c, ok := a.Intersect(b); ok {
					both = append(both, c)
				}
			}
		}
		common = image.MergeRanges(both)
	}
	return common
}

// checkSameCoverage reports addresses that some reads lack.
func (x *examiner) checkSameCoverage(reads []*image.Image, common []image.Range) {
	for i, r := range reads {
		if extra := image.SubtractRanges(r.Segments(), common); len(extra) > 0 {
			x.found(CodeReadsCoverage, evidence.Fault, extra,
				"read %d holds %s that another read lacks (%s); a complete read has the same size every time, so make the one that is short anew, from the first byte on",
				i+1, evidence.Count(image.TotalSize(extra), "byte"), evidence.Ranges(extra))
		}
	}
}
