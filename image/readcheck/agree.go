package readcheck

import (
	"fmt"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Agreement is what repeated reads of one controller say about one another.
type Agreement struct {
	Verdict  evidence.Verdict   `json:"verdict"`
	Findings []evidence.Finding `json:"findings"`

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

// Agree compares two or more reads of one controller. m may be nil: then
// differences cannot be told from learned values, and any difference leaves
// the verdict unproven.
//
// The verdict is pass if the reads hold the same addresses and differ at most
// in adaptation regions, fail if they differ elsewhere. Agreement alone does
// not prove a read: a stuck line reads the same every time. Agree therefore
// also runs the checks of [Examine] that need no map on the first read, and
// what they find weighs in the verdict.
//
// It reads each image once. To find a simple fault that explains differences it
// reads single bytes of the first one again.
func Agree(m *maps.Map, reads ...*image.Image) (*Agreement, error) {
	c, err := NewComparison(m, reads...)
	if err != nil {
		return nil, err
	}
	first, err := NewExamination(reads[0])
	if err != nil {
		return nil, err
	}
	err = sideBySide("read %d", reads, func(addr uint64, blocks [][]byte) error {
		first.Take(blocks[0])
		c.Take(addr, blocks)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return c.Agreement(first)
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
				"read %d holds %d bytes that another read lacks (%s); a complete read has the same size every time, so make the one that is short anew, from the first byte on",
				i+1, image.TotalSize(extra), evidence.Ranges(extra))
		}
	}
}
