package maps

import (
	"errors"
	"io"

	"example.com/calproof/image"
)

// countedBytes returns how many bytes the pieces of an instance feed.
func (ev *evaluator) countedBytes(in instance) (uint64, error) {
	var n uint64
	for _, p := range in.pieces {
		var m uint64
		switch p.kind {
		case pieceImage:
			m = p.where.Size
			if in.rule.Gaps.Skip {
				for _, gap := range image.SubtractRanges(ev.im.Gaps(p.where), maskRanges(in.masks)) {
					m -= gap.Size
				}
			}
		case pieceLiteral:
			m = uint64(len(p.literal))
		case pieceLength:
			m = uint64(p.length)
		}
		if n+m < n {
			return 0, errors.New("the rule would count more bytes than there are addresses")
		}
		n += m
	}
	if n == 0 {
		return 0, errors.New("the rule counts no byte: the image holds none of them")
	}
	return n, nil
}

func maskRanges(masks []mask) []image.Range {
	out := make([]image.Range, len(masks))
	for i, m := range masks {
		out[i] = m.where
	}
	return out
}

// feed writes one piece to w and returns its number of bytes; done is the
// number of bytes before it.
func (ev *evaluator) feed(w io.Writer, in instance, p piece, done uint64) (uint64, error) {
	switch p.kind {
	case pieceLiteral:
		n, err := w.Write(p.literal)
		return uint64(n), err
	case pieceLength:
		n, err := w.Write(uintBytes(done, p.length, p.order))
		return uint64(n), err
	}
	var fed uint64
	gaps := ev.im.Gaps(p.where)
	masks := in.masks
	addr, left := p.where.Start, p.where.Size
	for left > 0 {
		for len(masks) > 0 && masks[0].where.Last() < addr {
			masks = masks[1:]
		}
		for len(gaps) > 0 && gaps[0].Last() < addr {
			gaps = gaps[1:]
		}
		n := left
		switch {
		case len(masks) > 0 && masks[0].where.Contains(addr):
			m := masks[0]
			skip := addr - m.where.Start
			n = min(n, m.where.Size-skip)
			if err := writeMask(w, m, skip, n); err != nil {
				return fed, err
			}
			fed += n
		case len(gaps) > 0 && gaps[0].Contains(addr):
			n = min(n, gaps[0].Size-(addr-gaps[0].Start), until(masks, addr, n))
			switch g := in.rule.Gaps; {
			case g.Fill != nil:
				if err := writeRun(w, *g.Fill, n); err != nil {
					return fed, err
				}
				fed += n
			case !g.Skip:
				return fed, &image.GapError{Want: p.where, Addr: addr}
			}
		default:
			if len(gaps) > 0 {
				n = min(n, gaps[0].Start-addr)
			}
			n = min(n, until(masks, addr, n))
			err := ev.im.Blocks(image.Range{Start: addr, Size: n}, func(_ uint64, block []byte) error {
				_, err := w.Write(block)
				return err
			})
			if err != nil {
				return fed, err
			}
			fed += n
		}
		addr += n
		left -= n
	}
	return fed, nil
}

// until returns how many bytes lie before the first mask, at most n.
func until(masks []mask, addr, n uint64) uint64 {
	if len(masks) == 0 {
		return n
	}
	return min(n, masks[0].where.Start-addr)
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
