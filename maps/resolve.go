package maps

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"math"
	"math/bits"
	"slices"

	"example.com/calproof/image"
)

// errNotStatic says that a number cannot be known without an image.
var errNotStatic = errors.New("read from the image")

// maxPieces bounds the entries of cover and count times the repetitions.
const maxPieces = 1 << 16

// resolver turns the numbers of a rule into addresses. It trusts nothing it
// reads from an image: every number is checked before it is used.
type resolver struct {
	m    *Map
	read func(p []byte, addr uint64) error
}

// instance is one evaluation of a rule: a repetition, a record or a list item.
type instance struct {
	rule   *Rule
	n      int // counted from 1; 0 for a rule that is evaluated once
	pieces []piece
	masks  []mask      // bytes counted as others: sorted, not overlapping
	field  image.Range // where the stored value lies; empty for a target
	cell   image.Range // what may be rebalanced; empty if nothing
	err    error       // why the rest could not be found out
}

// piece is a stretch of the counted bytes.
type piece struct {
	kind    pieceKind
	where   image.Range // pieceImage
	literal []byte      // pieceLiteral
	length  int         // pieceLength: bytes of the number
	order   ByteOrder
}

type pieceKind int

const (
	pieceImage pieceKind = iota
	pieceLiteral
	pieceLength
)

// mask is a stretch of bytes that count as others: as one byte, or byte for byte.
type mask struct {
	where image.Range
	as    []byte
}

// counted returns the addresses whose bytes the instance really counts.
func (in instance) counted() []image.Range {
	var all, hidden []image.Range
	for _, p := range in.pieces {
		if p.kind == pieceImage {
			all = append(all, p.where)
		}
	}
	for _, m := range in.masks {
		hidden = append(hidden, m.where)
	}
	return image.SubtractRanges(all, hidden)
}

// written returns the bytes a seal of the instance changes; empty if none.
func (in instance) written() image.Range {
	if in.field.Size > 0 {
		return in.field
	}
	return in.cell
}

// intersections returns the parts of r that lie in ranges.
func intersections(ranges []image.Range, r image.Range) []image.Range {
	var out []image.Range
	for _, c := range ranges {
		if shared, ok := c.Intersect(r); ok {
			out = append(out, shared)
		}
	}
	return out
}

// instances yields the evaluations of r in order. One that carries an error is
// the last.
func (rs *resolver) instances(r *Rule) iter.Seq[instance] {
	switch {
	case r.Records != nil:
		return rs.records(r)
	case r.List != nil:
		return rs.list(r)
	}
	return rs.repeats(r)
}

func (rs *resolver) repeats(r *Rule) iter.Seq[instance] {
	return func(yield func(instance) bool) {
		if r.Repeat == nil {
			yield(rs.covered(instance{rule: r}, 0, 0))
			return
		}
		count, err := rs.amount(&r.Repeat.Count, 0)
		if err == nil && (count == 0 || count > MaxRepeats) {
			err = fmt.Errorf("the number of repetitions is %d; 1 to %d are allowed", count, MaxRepeats)
		}
		if entries := len(r.Cover) + len(r.Count); err == nil && count*uint64(entries) > maxPieces {
			err = fmt.Errorf("%d repetitions of %d entries in cover and count are more than the %d allowed", count, entries, maxPieces)
		}
		stride, err2 := rs.amount(&r.Repeat.Stride, 0)
		fieldStride, err3 := stride, error(nil)
		if r.Repeat.StoredStride != nil {
			fieldStride, err3 = rs.amount(r.Repeat.StoredStride, 0)
		}
		if err := first(err, err2, err3); err != nil {
			yield(instance{rule: r, n: 1, err: err})
			return
		}
		for k := range count {
			in := instance{rule: r, n: int(k) + 1}
			over, shift := bits.Mul64(k, stride)
			overField, fieldShift := bits.Mul64(k, fieldStride)
			if over != 0 || overField != 0 {
				in.err = errors.New("it lies past the top of the 64-bit address space")
			} else {
				in = rs.covered(in, shift, fieldShift)
			}
			if !yield(in) || in.err != nil {
				return
			}
		}
	}
}

// covered fills in what a rule with cover counts and where its value is
// stored, with every address of the map shifted.
func (rs *resolver) covered(in instance, shift, fieldShift uint64) instance {
	r := in.rule
	for i := range r.Cover {
		c := &r.Cover[i]
		switch {
		case c.Bytes != nil:
			in.pieces = append(in.pieces, piece{kind: pieceLiteral, literal: c.Bytes})
			continue
		case c.LengthBytes != 0:
			in.pieces = append(in.pieces, piece{kind: pieceLength, length: c.LengthBytes, order: c.ByteOrder})
			continue
		}
		where, err := rs.span(c, shift)
		if err != nil {
			in.err = err
			return in
		}
		in.pieces = append(in.pieces, piece{where: where})
	}
	for _, c := range r.Count {
		where, err := shifted(c.Range, shift)
		if err != nil {
			in.err = err
			return in
		}
		in.masks = append(in.masks, mask{where, c.As})
	}
	if r.Stored != nil {
		at, err := rs.address(r.Stored.At, fieldShift)
		if err != nil {
			in.err = err
			return in
		}
		return in.stores(at)
	}
	if r.Rebalance != nil {
		at, err := rs.address(&r.Rebalance.At, fieldShift)
		if err != nil {
			in.err = err
			return in
		}
		in.cell, in.err = sized(at, uint64(r.Rebalance.Bytes))
	}
	return in.sorted()
}

// stores places the field at an address, and the mask that hides it.
func (in instance) stores(at uint64) instance {
	s := in.rule.Stored
	if s.Bytes == 0 {
		return in // a map whose algorithm has a mistake: only its addresses are looked at
	}
	in.field, in.err = sized(at, uint64(s.size()))
	if s.CountedAs != nil && in.err == nil {
		in.masks = append(in.masks, mask{in.field, s.CountedAs})
	}
	return in.sorted()
}

// sorted orders the masks and cuts off what two of them share, the first one
// of the map winning.
func (in instance) sorted() instance {
	slices.SortStableFunc(in.masks, func(a, b mask) int { return cmp.Compare(a.where.Start, b.where.Start) })
	for i := 1; i < len(in.masks); i++ {
		if shared, ok := in.masks[i-1].where.Intersect(in.masks[i].where); ok && in.err == nil {
			in.err = fmt.Errorf("the map lets the bytes at %s count as two things", shared)
		}
	}
	return in
}

// span returns the addresses of a cover entry.
func (rs *resolver) span(c *Cover, shift uint64) (image.Range, error) {
	switch {
	case c.Range.Size > 0:
		return shifted(c.Range, shift)
	case c.Region != "":
		region, _ := rs.m.region(c.Region)
		return shifted(region.Range, shift)
	}
	start, err := rs.address(c.Start, shift)
	if err != nil {
		return image.Range{}, err
	}
	switch {
	case c.Length != nil:
		n, err := rs.amount(c.Length, shift)
		if err != nil {
			return image.Range{}, err
		}
		if n == 0 {
			return image.Range{}, fmt.Errorf("the length of the range from 0x%X is zero", start)
		}
		return sized(start, n)
	case c.Last != nil:
		last, err := rs.address(c.Last, shift)
		if err != nil {
			return image.Range{}, err
		}
		return upTo(start, last)
	case c.End != nil:
		end, err := rs.address(c.End, shift)
		if err != nil {
			return image.Range{}, err
		}
		return before(start, end)
	}
	less, err := rs.amount(c.ToEndLess, shift)
	if err != nil {
		return image.Range{}, err
	}
	whole := image.Range{}
	if c.Of != "" {
		region, _ := rs.m.region(c.Of)
		if whole, err = shifted(region.Range, shift); err != nil {
			return whole, err
		}
	} else {
		for _, e := range rs.m.Extent() {
			if e.Contains(start) {
				whole = e
			}
		}
	}
	if !whole.Contains(start) {
		return whole, fmt.Errorf("the range starts at 0x%X, outside what it should reach the end of", start)
	}
	left := whole.Size - (start - whole.Start)
	if less >= left {
		return whole, fmt.Errorf("the range from 0x%X to 0x%X bytes before the end is empty", start, less)
	}
	return image.Range{Start: start, Size: left - less}, nil
}

// upTo returns the range from start to last, which is included.
func upTo(start, last uint64) (image.Range, error) {
	if last < start {
		return image.Range{}, fmt.Errorf("the range ends at 0x%X, before its start at 0x%X", last, start)
	}
	return sized(start, last-start+1)
}

// before returns the range from start up to end, which is not included.
func before(start, end uint64) (image.Range, error) {
	if end <= start {
		return image.Range{}, fmt.Errorf("the range ends before 0x%X, and it starts at 0x%X", end, start)
	}
	return sized(start, end-start)
}

func sized(start, size uint64) (image.Range, error) {
	if size == 0 || size-1 > math.MaxUint64-start {
		return image.Range{}, fmt.Errorf("0x%X bytes from 0x%X run past the top of the 64-bit address space", size, start)
	}
	return image.Range{Start: start, Size: size}, nil
}

func shifted(r image.Range, by uint64) (image.Range, error) {
	start, carry := bits.Add64(r.Start, by, 0)
	if carry != 0 {
		return r, fmt.Errorf("%s moved on by 0x%X runs past the top of the 64-bit address space", r, by)
	}
	return sized(start, r.Size)
}

// address returns a number that is an address: one written in the map is shifted.
func (rs *resolver) address(n *Number, shift uint64) (uint64, error) {
	if n.Read != nil {
		return rs.number(n.Read, 0, shift)
	}
	addr, carry := bits.Add64(n.Const, shift, 0)
	if carry != 0 {
		return 0, fmt.Errorf("0x%X moved on by 0x%X runs past the top of the 64-bit address space", n.Const, shift)
	}
	return addr, nil
}

// amount returns a number that is no address: only the place it is read from
// is shifted.
func (rs *resolver) amount(n *Number, shift uint64) (uint64, error) {
	if n.Read != nil {
		return rs.number(n.Read, 0, shift)
	}
	return n.Const, nil
}

// number reads a number from the image. A field with an offset counts from base.
func (rs *resolver) number(r *ReadNumber, base, shift uint64) (uint64, error) {
	raw, addr, err := rs.raw(r, base, shift)
	if err != nil {
		return 0, err
	}
	over, value := bits.Mul64(raw, r.Scale)
	if over == 0 {
		var carry uint64
		if r.Plus >= 0 {
			value, carry = bits.Add64(value, uint64(r.Plus), 0)
		} else {
			value, carry = bits.Sub64(value, uint64(-r.Plus), 0)
		}
		over = carry
	}
	if over != 0 {
		return 0, fmt.Errorf("the number read at 0x%X (0x%X) times %d plus %d is no 64-bit number", addr, raw, r.Scale, r.Plus)
	}
	return value, nil
}

// raw returns the field as it lies in the image, and its address.
func (rs *resolver) raw(r *ReadNumber, base, shift uint64) (value, addr uint64, err error) {
	if r.Offset != nil {
		var carry uint64
		if addr, carry = bits.Add64(base, *r.Offset, 0); carry != 0 {
			return 0, 0, fmt.Errorf("offset 0x%X from 0x%X runs past the top of the 64-bit address space", *r.Offset, base)
		}
	} else if addr, err = rs.address(r.At, shift); err != nil {
		return 0, 0, err
	}
	n := r.Type.size()
	if _, err := sized(addr, uint64(n)); err != nil {
		return 0, 0, err
	}
	var buf [8]byte
	if err := rs.read(buf[:n], addr); err != nil {
		return 0, 0, err
	}
	return uintOf(buf[:n], r.ByteOrder), addr, nil
}

// uintOf returns the number of up to 8 bytes in the given order.
func uintOf(b []byte, order ByteOrder) uint64 {
	var wide [8]byte
	if order == BigEndian {
		copy(wide[8-len(b):], b)
		return binary.BigEndian.Uint64(wide[:])
	}
	copy(wide[:], b)
	return binary.LittleEndian.Uint64(wide[:])
}
