package maps

import (
	"io"
	"sort"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
)

// cursor feeds pieces to a writer, one after another. It is driven from
// outside: [cursor.settle] goes on until it needs bytes of the image, and
// [cursor.take] gives it some.
type cursor struct {
	w      io.Writer
	pieces []piece       // not begun
	done   uint64        // bytes counted so far
	pad    uint64        // bytes of padding after the last piece
	need   image.Range   // held bytes it needs next; empty at the end
	err    error         // why it ended early
	hash   checksum.Hash // w, for an instance
	c      *counting     // what it belongs to; nil: nothing

	where image.Range // the piece it is in
	at    uint64      // what is left of it
	left  uint64
	masks []mask
}

// settle feeds what comes from elsewhere than the image (literal bytes, masks,
// filled gaps, padding). It reports whether bytes of the image are needed next.
func (cu *cursor) settle(held []image.Range) bool {
	for cu.err == nil {
		if cu.left == 0 {
			if len(cu.pieces) == 0 {
				if cu.pad > 0 {
					cu.err = writeRun(cu.w, cu.c.in.rule.Pad.With, cu.pad)
				}
				break
			}
			cu.begin()
			continue
		}
		for len(cu.masks) > 0 && cu.masks[0].where.Last() < cu.at {
			cu.masks = cu.masks[1:]
		}
		n := cu.left
		if len(cu.masks) > 0 {
			if m := cu.masks[0]; m.where.Contains(cu.at) {
				skip := cu.at - m.where.Start
				n = min(n, m.where.Size-skip)
				cu.err = writeMask(cu.w, m, skip, n)
				cu.move(n, true)
				continue
			}
			n = min(n, cu.masks[0].where.Start-cu.at)
		}
		segment, ok := nextSegment(held, cu.at)
		if ok && segment.Contains(cu.at) {
			cu.need = image.Range{Start: cu.at, Size: min(n, segment.Size-(cu.at-segment.Start))}
			return true
		}
		if ok {
			n = min(n, segment.Start-cu.at)
		}
		switch gaps := cu.c.in.rule.Gaps; {
		case gaps.Fill != nil:
			cu.err = writeRun(cu.w, *gaps.Fill, n)
			cu.move(n, true)
		case gaps.Skip:
			cu.move(n, false)
		default:
			cu.err = &image.GapError{Want: cu.where, Addr: cu.at}
		}
	}
	cu.need = image.Range{}
	return false
}

// begin goes to the next piece.
func (cu *cursor) begin() {
	p := cu.pieces[0]
	cu.pieces = cu.pieces[1:]
	var b []byte
	switch p.kind {
	case pieceLiteral:
		b = p.literal
	case pieceLength:
		b = uintBytes(cu.done, p.length, p.order)
	default:
		cu.where, cu.at, cu.left = p.where, p.where.Start, p.where.Size
		if cu.c != nil {
			cu.masks = cu.c.in.masks
		}
		return
	}
	cu.done += uint64(len(b))
	_, cu.err = cu.w.Write(b)
}

// move goes on by n addresses, whose bytes counted or not.
func (cu *cursor) move(n uint64, counted bool) {
	cu.at += n
	cu.left -= n
	if counted {
		cu.done += n
	}
}

// take feeds what the cursor needs of a block, whose first byte has address
// start, and reports whether it needs more. What it needs must not begin
// before the block.
func (cu *cursor) take(start uint64, block []byte, held []image.Range) bool {
	for cu.need.Start >= start && cu.need.Start-start < uint64(len(block)) {
		part := block[cu.need.Start-start:]
		n := min(cu.need.Size, uint64(len(part)))
		_, cu.err = cu.w.Write(part[:n])
		cu.move(n, true)
		if !cu.settle(held) {
			return false
		}
	}
	return true
}

// nextSegment returns the first of the segments that ends at or after addr.
func nextSegment(held []image.Range, addr uint64) (image.Range, bool) {
	i := sort.Search(len(held), func(i int) bool { return held[i].Last() >= addr })
	if i == len(held) {
		return image.Range{}, false
	}
	return held[i], true
}

func writeMask(w io.Writer, m mask, skip, n uint64) error {
	if len(m.as) == 1 {
		return writeRun(w, m.as[0], n)
	}
	_, err := w.Write(m.as[skip : skip+n])
	return err
}

// writeRun writes n bytes equal to b.
func writeRun(w io.Writer, b byte, n uint64) error {
	block := make([]byte, min(n, 64<<10))
	for i := range block {
		block[i] = b
	}
	for n > 0 {
		part := block[:min(n, uint64(len(block)))]
		if _, err := w.Write(part); err != nil {
			return err
		}
		n -= uint64(len(part))
	}
	return nil
}

// uintBytes returns the low n bytes of v in the given order.
func uintBytes(v uint64, n int, order ByteOrder) []byte {
	b := make([]byte, n)
	for i := range b {
		if order == BigEndian {
			b[n-1-i] = byte(v)
		} else {
			b[i] = byte(v)
		}
		v >>= 8
	}
	return b
}
