package diffmap

import (
	"cmp"
	"math"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// stretches joins runs that arrive in address order into ranges.
type stretches struct {
	gap    uint64 // join over at most this many bytes
	limit  int    // keep at most this many ranges
	ranges []image.Range
	last   image.Range // the range that may still grow; Size 0: none yet
	total  uint64      // ranges begun, kept or not
	bytes  uint64      // bytes in runs
}

// add reports whether r began a new range.
func (s *stretches) add(r image.Range) bool {
	s.bytes += r.Size
	if s.last.Size > 0 && s.joins(r) {
		s.last.Size = r.Last() - s.last.Start + 1
		if s.total == uint64(len(s.ranges)) {
			s.ranges[len(s.ranges)-1] = s.last
		}
		return false
	}
	s.last = r
	s.total++
	if len(s.ranges) < s.limit {
		s.ranges = append(s.ranges, r)
	}
	return true
}

func (s *stretches) joins(r image.Range) bool {
	between := r.Start - s.last.Last() - 1
	return between <= s.gap
}

// omitted returns how many ranges were counted but not kept.
func (s *stretches) omitted() uint64 { return s.total - uint64(len(s.ranges)) }

// collector sorts runs of differing bytes into changes and regions.
type collector struct {
	changes stretches
	detail  []Change // beside changes.ranges: bytes and regions

	order   []int // indexes of regions by address
	regions []maps.Region
	inside  []stretches // beside regions
	signed  []stretches // beside regions: runs in what a signature covers
	covers  [][]image.Range
	outside stretches
	cursor  int // into order: the first region that does not end before the last run
}

func newCollector(m *maps.Map, opts Options) *collector {
	list := stretches{gap: opts.JoinGap, limit: opts.limit()}
	c := &collector{changes: list, outside: list}
	if m == nil {
		return c
	}
	c.regions = m.Regions
	c.inside = make([]stretches, len(m.Regions))
	c.signed = make([]stretches, len(m.Regions))
	c.covers = make([][]image.Range, len(m.Regions))
	for i := range c.inside {
		c.inside[i] = list
		c.signed[i].limit = DefaultMaxChanges
		c.covers[i] = image.MergeRanges(m.Regions[i].Cover)
		if m.Regions[i].Range.Size > 0 {
			c.order = append(c.order, i)
		}
	}
	slices.SortStableFunc(c.order, func(a, b int) int {
		return cmp.Compare(m.Regions[a].Range.Start, m.Regions[b].Range.Start)
	})
	return c
}

// add takes the next run; runs come in address order and do not overlap.
func (c *collector) add(run image.Range) {
	first := run
	if c.changes.add(first) && len(c.detail) < len(c.changes.ranges) {
		c.detail = append(c.detail, Change{})
	}
	listed := c.changes.omitted() == 0
	if listed {
		c.detail[len(c.detail)-1].Bytes += run.Size
	}
	if c.inside == nil {
		return
	}
	for i, cover := range c.covers {
		for _, r := range cover {
			if both, ok := r.Intersect(run); ok {
				c.signed[i].add(both)
			}
		}
	}
	name := func(region string) {
		if !listed {
			return
		}
		d := &c.detail[len(c.detail)-1]
		if n := len(d.Regions); n == 0 || d.Regions[n-1] != region {
			d.Regions = append(d.Regions, region)
		}
	}
	for rest := run; ; {
		for c.cursor < len(c.order) && c.regions[c.order[c.cursor]].Range.Last() < rest.Start {
			c.cursor++
		}
		// The part before the next region lies outside every region.
		piece, outside := rest, true
		if c.cursor < len(c.order) {
			i := c.order[c.cursor]
			region := c.regions[i].Range
			if region.Contains(rest.Start) {
				piece, _ = region.Intersect(rest)
				outside = false
				c.inside[i].add(piece)
				name(c.regions[i].Name)
			} else if region.Start <= rest.Last() {
				piece.Size = region.Start - rest.Start
			}
		}
		if outside {
			c.outside.add(piece)
			name(OutsideName)
		}
		if piece.Size == rest.Size {
			return
		}
		rest = image.Range{Start: piece.Last() + 1, Size: rest.Size - piece.Size}
	}
}

// changeList returns the changes with their ranges filled in.
func (c *collector) changeList() []Change {
	for i := range c.detail {
		c.detail[i].Range = c.changes.ranges[i]
	}
	if c.detail == nil {
		return []Change{}
	}
	return c.detail
}

// regionList returns every region of the map in map order, then the bytes
// outside every region if there are any.
func (c *collector) regionList(appeared, vanished []image.Range) []RegionChange {
	out := []RegionChange{}
	var named []image.Range
	for i, region := range c.regions {
		s := &c.inside[i]
		only := []image.Range{region.Range}
		named = append(named, region.Range)
		out = append(out, RegionChange{
			Name: region.Name, Role: region.Role, Edit: region.Edit, Tags: region.Tags,
			Size: region.Range.Size, Bytes: s.bytes, Ranges: s.ranges, Omitted: s.omitted(),
			Appeared: overlap(appeared, only), Vanished: overlap(vanished, only),
		})
	}
	if c.inside == nil {
		return out
	}
	rest := RegionChange{
		Name: OutsideName, Bytes: c.outside.bytes, Ranges: c.outside.ranges, Omitted: c.outside.omitted(),
		Appeared: image.TotalSize(image.SubtractRanges(appeared, named)),
		Vanished: image.TotalSize(image.SubtractRanges(vanished, named)),
		Outside:  true,
	}
	if rest.Bytes+rest.Appeared+rest.Vanished > 0 {
		out = append(out, rest)
	}
	return out
}

// overlap returns how many bytes of a, a sorted list, lie in b.
func overlap(a, b []image.Range) uint64 {
	return image.TotalSize(a) - image.TotalSize(image.SubtractRanges(a, b))
}

func (o Options) limit() int {
	switch {
	case o.MaxChanges == 0:
		return DefaultMaxChanges
	case o.MaxChanges < 0:
		return math.MaxInt
	}
	return o.MaxChanges
}
