package readcheck

import (
	"bytes"
	"fmt"
	"math/bits"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Comparison is [Agree] for bytes that are read for other purposes too
// ([maps.ReadOnce]): make one, let it take the bytes of all reads, then ask for
// the agreement.
type Comparison struct {
	m      *maps.Map
	lim    limits
	reads  []*image.Image
	common []image.Range // addresses that every read holds
	ag     *Agreement

	original string // what the first image is called in a cause

	where    map[string]*RegionDiff
	clusters [][]image.Range // per pair: differing stretches, close ones joined
	samples  []sample
}

// NewComparison begins the comparison of two or more reads.
func NewComparison(m *maps.Map, reads ...*image.Image) (*Comparison, error) {
	if len(reads) < 2 {
		return nil, errTooFew(len(reads))
	}
	if slices.Contains(reads, nil) {
		return nil, fmt.Errorf("agreement: an image is missing")
	}
	return newComparison(m, reads), nil
}

func newComparison(m *maps.Map, reads []*image.Image) *Comparison {
	common := commonRanges(reads)
	c := &Comparison{m: m, lim: limitsFor(m), reads: reads, common: common, where: map[string]*RegionDiff{}, original: "the first read",
		ag:       &Agreement{Compared: image.TotalSize(common), Pairs: make([]PairDiff, len(reads)-1)},
		clusters: make([][]image.Range, len(reads)-1)}
	for i := range c.ag.Pairs {
		c.ag.Pairs[i].Read = i + 2
	}
	return c
}

// Take takes the bytes of a stretch of addresses, which come in order: one block
// a read, nil for a read that holds none of it.
func (c *Comparison) Take(addr uint64, blocks [][]byte) {
	equal := true
	for _, b := range blocks {
		if b == nil {
			return
		}
		equal = equal && bytes.Equal(b, blocks[0])
	}
	if !equal {
		c.block(addr, blocks, len(blocks[0]))
	}
}

// Agreement judges what was taken. first is the report on the first read: the
// verdict is no better than its verdict, and its findings are among those of the
// agreement.
func (c *Comparison) Agreement(first *Report) *Agreement {
	x := &examiner{m: c.m, lim: c.lim}
	x.checkSameCoverage(c.reads, c.common)
	c.finish()
	x.judgeDifferences(c.ag, len(c.reads))
	c.ag.Agree = evidence.Judge(x.findings)
	c.ag.Verdict = evidence.Combine(c.ag.Agree, first.Verdict)
	c.ag.Findings = append(x.findings, first.Findings...)
	sortFindings(c.ag.Findings)
	c.ag.NotJudged = first.NotJudged
	return c.ag
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

// finish sums up what the blocks told.
func (c *Comparison) finish() {
	for _, w := range c.where {
		c.ag.Where = append(c.ag.Where, *w)
	}
	slices.SortFunc(c.ag.Where, func(a, b RegionDiff) int {
		return int(c.order(a.Name)) - int(c.order(b.Name))
	})
	for i := range c.ag.Pairs {
		p := &c.ag.Pairs[i]
		var line bool
		if p.Cause, line = c.cause(i); !line { // a line moves blocks of its own: they are none of the transfer
			p.Block = c.lim.alignedBlock(c.clusters[i], c.common)
		}
	}
}

// order is the position of a region in the map; outside comes last.
func (c *Comparison) order(name string) int {
	if c.m == nil || name == "" {
		return 1 << 30
	}
	return slices.IndexFunc(c.m.Regions, func(r maps.Region) bool { return r.Name == name })
}

// block compares n bytes from addr on.
func (c *Comparison) block(addr uint64, bufs [][]byte, n int) {
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
		if len(bufs) > 2 && !hasMajority(bufs, j) {
			c.ag.NoMajority = appendNear(c.ag.NoMajority, at, 0, maxRanges)
		}
		c.sample(at, bufs, j)
	}
}

// count adds a differing address to its region.
func (c *Comparison) count(at uint64) {
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
func (c *Comparison) sample(at uint64, bufs [][]byte, j int) {
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

// edgeSlack is how many bytes at either end of a differing stretch may be equal
// by chance.
const edgeSlack = 2

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
