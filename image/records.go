package image

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
)

// recordSink takes the data of records in file order.
type recordSink interface {
	// room returns where to decode the data of the next record and its
	// checksum, at most maxBody bytes. It is valid until the next call.
	room() []byte
	// put takes data that lies at the start of room, or right after what was
	// put since room was called.
	put(line int, addr uint64, data []byte)
}

// scratch is the room of a sink that does not keep the data.
type scratch [maxBody]byte

func (s *scratch) room() []byte { return s[:] }

// run is a stretch of consecutive addresses as records gave it.
type run struct {
	addr uint64
	data []byte
}

// builder collects records; those that continue one another become one run.
// The bytes lie in slabs that never move, each twice as long as the one before
// up to maxSlab, so that nothing is copied as the image grows. A run ends with
// its slab.
type builder struct {
	runs        []run // but for the current one
	slab        []byte
	first, used int    // the current run is slab[first:used]
	next        uint64 // address after the current run
}

const (
	minSlab = 4 << 10
	maxSlab = 1 << 20
)

// room returns the free part of the slab, so that the data need not be copied.
func (b *builder) room() []byte {
	if len(b.slab)-b.used < maxBody {
		b.endRun()
		b.slab = make([]byte, min(max(2*len(b.slab), minSlab), maxSlab))
		b.first, b.used = 0, 0
	}
	return b.slab[b.used:]
}

func (b *builder) put(_ int, addr uint64, data []byte) {
	if addr != b.next {
		b.endRun()
	}
	b.used += len(data)
	b.next = addr + uint64(len(data))
}

// endRun puts the current run, if any, on the list.
func (b *builder) endRun() {
	if n := b.used - b.first; n > 0 {
		b.runs = append(b.runs, run{b.next - uint64(n), b.slab[b.first:b.used]})
		b.first = b.used
	}
}

// chunks sorts the runs by address and returns them, each address once, and
// the ranges that were given more than once.
func (b *builder) chunks() (chunks []chunk, twice []Range) {
	b.endRun()
	slices.SortStableFunc(b.runs, func(a, b run) int { return cmp.Compare(a.addr, b.addr) })
	var end uint64 // first address after the chunks so far; records end at 2^32 at most
	for _, r := range b.runs {
		first, last := r.addr, r.addr+uint64(len(r.data))
		if first < end {
			twice = append(twice, Range{first, min(last, end) - first})
			if last <= end {
				continue
			}
			first = end
		}
		chunks = append(chunks, chunk{Range{first, last - first}, bytes.NewReader(r.data[first-r.addr:]), 0})
		end = last
	}
	return chunks, MergeRanges(twice)
}

// overlaps takes the records of a file a second time and compares those that
// touch ranges given more than once.
type overlaps struct {
	scratch
	twice []Range
	seen  [][]seenByte // for each range
	probs *problems
	equal []Range // given again with the same bytes
	line  int     // where that happened first
	limit int     // length of equal at which it is merged next
}

// seenByte is a byte and the line that gave it first, 0 for none yet.
type seenByte struct {
	line  uint32
	value byte
}

func newOverlaps(twice []Range, probs *problems) *overlaps {
	o := &overlaps{twice: twice, probs: probs}
	for _, r := range twice {
		o.seen = append(o.seen, make([]seenByte, r.Size))
	}
	return o
}

func (o *overlaps) put(line int, addr uint64, data []byte) {
	record := Range{addr, uint64(len(data))}
	i, _ := slices.BinarySearchFunc(o.twice, addr, func(r Range, addr uint64) int {
		return cmp.Compare(r.Last(), addr)
	})
	for ; i < len(o.twice); i++ {
		both, ok := o.twice[i].Intersect(record)
		if !ok {
			return
		}
		seen := o.seen[i][both.Start-o.twice[i].Start:][:both.Size]
		o.compare(line, both.Start, seen, data[both.Start-addr:][:both.Size])
	}
}

// compare checks data from addr on against what earlier lines gave, a stretch
// of equal standing at a time.
func (o *overlaps) compare(line int, addr uint64, seen []seenByte, data []byte) {
	kind := func(i int) (line uint32, equal bool) {
		return seen[i].line, seen[i].line != 0 && seen[i].value == data[i]
	}
	for from := 0; from < len(data); {
		earlier, equal := kind(from)
		to := from + 1
		for to < len(data) {
			if e, q := kind(to); e != earlier || q != equal {
				break
			}
			to++
		}
		r := Range{addr + uint64(from), uint64(to - from)}
		switch {
		case earlier == 0:
			for i := from; i < to; i++ {
				seen[i] = seenByte{uint32(line), data[i]}
			}
		case equal:
			if o.equal = append(o.equal, r); o.line == 0 {
				o.line = line
			}
			if len(o.equal) > o.limit {
				o.equal = MergeRanges(o.equal)
				o.limit = 2*len(o.equal) + 1024
			}
		default:
			old := make([]byte, to-from)
			for i := range old {
				old[i] = seen[from+i].value
			}
			o.probs.add(line, 1, nil, "%v is given as %s here but as %s in line %d; remove the wrong record",
				r, shortHex(data[from:to]), shortHex(old), earlier)
		}
		from = to
	}
}

// shortHex prints bytes in hexadecimal, at most eight of them.
func shortHex(data []byte) string {
	if len(data) > 8 {
		return fmt.Sprintf("% X ...", data[:8])
	}
	return fmt.Sprintf("% X", data)
}
