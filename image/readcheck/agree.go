package readcheck

import (
	"errors"
	"fmt"
	"math/bits"
	"slices"

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

// compareBlock is how many bytes of each read are held at a time.
const compareBlock = 64 << 10

// Agree compares two or more reads of one controller. m may be nil: then
// differences cannot be told from learned values, and any difference leaves
// the verdict unproven.
//
// The verdict is pass if the reads hold the same addresses and differ at most
// in adaptation regions, fail if they differ elsewhere. Agreement alone does
// not prove a read: a stuck line reads the same every time. Agree therefore
// also runs the checks of [Examine] that need no map on the first read, and
// what they find weighs in the verdict.
func Agree(m *maps.Map, reads ...*image.Image) (*Agreement, error) {
	if len(reads) < 2 {
		return nil, fmt.Errorf("agreement needs two or more reads, %d given; read the controller again", len(reads))
	}
	ag := &Agreement{}
	x := &examiner{m: m, lim: limitsFor(m)}
	common := commonRanges(reads)
	ag.Compared = image.TotalSize(common)
	x.checkSameCoverage(reads, common)

	cmp := comparer{m: m, lim: x.lim, ag: ag, many: len(reads) > 2}
	if err := cmp.run(reads, common); err != nil {
		return nil, err
	}
	x.judgeDifferences(ag, len(reads))

	if err := x.checkFirst(reads[0]); err != nil {
		return nil, err
	}
	sortFindings(x.findings)
	ag.Findings = x.findings
	ag.Verdict = evidence.Judge(x.findings)
	return ag, nil
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
				"read %d holds %d bytes that another read lacks (%s); a complete read has the same size every time, so read again the one that is short",
				i+1, image.TotalSize(extra), listRanges(extra))
		}
	}
}

// comparer walks the reads side by side.
type comparer struct {
	m    *maps.Map
	lim  limits
	ag   *Agreement
	many bool

	where    map[string]*RegionDiff
	clusters [][]image.Range // per pair: differing stretches, close ones joined
	samples  []sample
}

// sample is one differing address and what each read holds there.
type sample struct {
	addr   uint64
	values []byte
}

const (
	maxClusters = 4096 // per pair
	maxSamples  = 4096
)

func (c *comparer) run(reads []*image.Image, common []image.Range) error {
	c.where = map[string]*RegionDiff{}
	c.ag.Pairs = make([]PairDiff, len(reads)-1)
	c.clusters = make([][]image.Range, len(reads)-1)
	for i := range c.ag.Pairs {
		c.ag.Pairs[i].Read = i + 2
	}
	bufs := make([][]byte, len(reads))
	for i := range bufs {
		bufs[i] = make([]byte, compareBlock)
	}
	for _, r := range common {
		for done := uint64(0); done < r.Size; {
			n := min(r.Size-done, compareBlock)
			addr := r.Start + done
			equal := true
			for i, read := range reads {
				if _, err := read.ReadAddr(bufs[i][:n], addr); err != nil {
					return fmt.Errorf("read %d: %w", i+1, err)
				}
				equal = equal && string(bufs[i][:n]) == string(bufs[0][:n])
			}
			if !equal {
				c.block(addr, bufs, int(n))
			}
			done += n
		}
	}
	for _, w := range c.where {
		c.ag.Where = append(c.ag.Where, *w)
	}
	slices.SortFunc(c.ag.Where, func(a, b RegionDiff) int {
		return int(c.order(a.Name)) - int(c.order(b.Name))
	})
	for i := range c.ag.Pairs {
		p := &c.ag.Pairs[i]
		p.Block = c.lim.alignedBlock(c.clusters[i], common)
		p.Cause = c.cause(reads[0], i, common)
	}
	return nil
}

// order is the position of a region in the map; outside comes last.
func (c *comparer) order(name string) int {
	if c.m == nil || name == "" {
		return 1 << 30
	}
	return slices.IndexFunc(c.m.Regions, func(r maps.Region) bool { return r.Name == name })
}

// block compares n bytes from addr on.
func (c *comparer) block(addr uint64, bufs [][]byte, n int) {
	for j := range n {
		first := bufs[0][j]
		same := true
		for i, b := range bufs[1:] {
			if b[j] == first {
				continue
			}
			same = false
			p := &c.ag.Pairs[i]
			p.Bytes++
			d := b[j] ^ first
			p.OneToZero += uint64(bits.OnesCount8(d & first))
			p.ZeroToOne += uint64(bits.OnesCount8(d & b[j]))
			for bit := range 8 {
				p.ByBit[bit] += uint64(d >> bit & 1)
			}
			c.clusters[i] = appendNear(c.clusters[i], addr+uint64(j), uint64(c.lim.stretchGap), maxClusters)
		}
		if same {
			continue
		}
		at := addr + uint64(j)
		c.ag.Differ++
		c.count(at)
		c.ag.Ranges = appendNear(c.ag.Ranges, at, 0, maxRanges)
		if n := len(c.ag.Ranges); c.ag.Ranges[n-1].Last() != at {
			c.ag.Truncated = true
		}
		if c.many && !hasMajority(bufs, j) {
			c.ag.NoMajority = appendNear(c.ag.NoMajority, at, 0, maxRanges)
		}
		c.sample(at, bufs, j)
	}
}

// count adds a differing address to its region.
func (c *comparer) count(at uint64) {
	var key string
	var region maps.Region
	if c.m != nil {
		if r, ok := c.m.RegionAt(at); ok {
			key, region = r.Name, r
		}
	}
	w := c.where[key]
	if w == nil {
		w = &RegionDiff{Name: key, Role: region.Role}
		c.where[key] = w
	}
	w.Bytes++
}

// sample keeps every differing address at first, then ever fewer, so that the
// samples lie all over the image.
func (c *comparer) sample(at uint64, bufs [][]byte, j int) {
	n := c.ag.Differ
	if n > maxSamples && n%(n/maxSamples*2+1) != 0 {
		return
	}
	s := sample{addr: at, values: make([]byte, len(bufs))}
	for i, b := range bufs {
		s.values[i] = b[j]
	}
	if len(c.samples) < 2*maxSamples {
		c.samples = append(c.samples, s)
		return
	}
	c.samples[n%uint64(len(c.samples))] = s
}

// appendNear adds addr to the last range if at most gap other addresses lie
// between, and as a range of its own otherwise. Addresses come in order. A
// list of most ranges stays as it is.
func appendNear(list []image.Range, addr, gap uint64, most int) []image.Range {
	if n := len(list); n > 0 && addr-list[n-1].Last() <= gap+1 {
		list[n-1].Size = addr - list[n-1].Start + 1
		return list
	}
	if len(list) == most {
		return list
	}
	return append(list, image.Range{Start: addr, Size: 1})
}

// hasMajority reports whether more than half of the reads hold the same byte
// at position j.
func hasMajority(bufs [][]byte, j int) bool {
	_, ok := majorityOf(bufs, j)
	return ok
}

// majorityOf returns the byte that more than half of the reads hold at
// position j.
func majorityOf(bufs [][]byte, j int) (byte, bool) {
	var candidate byte
	votes := 0
	for _, b := range bufs {
		switch {
		case votes == 0:
			candidate, votes = b[j], 1
		case b[j] == candidate:
			votes++
		default:
			votes--
		}
	}
	n := 0
	for _, b := range bufs {
		if b[j] == candidate {
			n++
		}
	}
	return candidate, 2*n > len(bufs)
}

// alignedBlock returns the largest block size, counted from the first address
// compared, to which differing stretches keep: they begin and end at its
// boundaries, but for a byte or two that happened to be equal. It takes two
// stretches, or one of a round size, or the size that the map names, which
// goes before all others; 0 for none.
func (lim limits) alignedBlock(clusters, common []image.Range) int {
	if len(clusters) == 0 || len(common) == 0 {
		return 0
	}
	base := common[0].Start
	keep := func(b int) int {
		fits := 0
		for _, c := range clusters {
			from, to := (c.Start-base)%uint64(b), (c.Last()+1-base)%uint64(b)
			if from <= edgeSlack && (to == 0 || to >= uint64(b-edgeSlack)) && c.Size >= uint64(b-2*edgeSlack) {
				fits++
			}
		}
		if fits*100 < len(clusters)*lim.blockFit {
			return 0
		}
		return fits
	}
	if named := lim.block; named >= minBlock && named <= maxBlock && keep(named) > 0 {
		return named
	}
	for b := maxBlock; b >= minBlock; b-- {
		if fits := keep(b); fits > 1 || fits == 1 && bits.OnesCount(uint(b)) == 1 {
			return b
		}
	}
	return 0
}

// ErrNoMajority says that reads leave some addresses undecided.
var ErrNoMajority = errors.New("no majority")

// NoMajorityError lists the addresses at which no value was read by more than
// half of the reads.
type NoMajorityError struct{ Ranges []image.Range }

func (e *NoMajorityError) Error() string {
	return fmt.Sprintf("no value was read by more than half of the reads at %d addresses (%s); add another read, or say that the first read shall count there",
		image.TotalSize(e.Ranges), listRanges(e.Ranges))
}

func (e *NoMajorityError) Unwrap() error { return ErrNoMajority }

// Majority returns the image that more than half of three or more reads agree
// on, byte by byte. Where no value has a majority the first read counts if
// takeFirst is set; otherwise the result is a *NoMajorityError. The reads must
// hold the same addresses.
func Majority(takeFirst bool, reads ...*image.Image) (*image.Image, error) {
	if len(reads) < 3 {
		return nil, fmt.Errorf("a majority needs three or more reads, %d given; read the controller again", len(reads))
	}
	common := commonRanges(reads)
	for i, r := range reads {
		if extra := image.SubtractRanges(r.Segments(), common); len(extra) > 0 {
			return nil, fmt.Errorf("read %d holds %s, which another read lacks; leave out the reads that are short", i+1, listRanges(extra))
		}
	}
	var segments []image.Segment
	var open []image.Range
	for _, r := range common {
		out := image.Segment{Start: r.Start, Data: make([]byte, 0, r.Size)}
		bufs := make([][]byte, len(reads))
		for i := range bufs {
			bufs[i] = make([]byte, compareBlock)
		}
		for done := uint64(0); done < r.Size; {
			n := min(r.Size-done, compareBlock)
			for i, read := range reads {
				if _, err := read.ReadAddr(bufs[i][:n], r.Start+done); err != nil {
					return nil, fmt.Errorf("read %d: %w", i+1, err)
				}
			}
			for j := range int(n) {
				v, ok := majorityOf(bufs, j)
				if !ok {
					v = bufs[0][j]
					open = appendNear(open, r.Start+done+uint64(j), 0, maxRanges)
				}
				out.Data = append(out.Data, v)
			}
			done += n
		}
		segments = append(segments, out)
	}
	if len(open) > 0 && !takeFirst {
		return nil, &NoMajorityError{Ranges: open}
	}
	return image.FromSegments(segments...)
}
