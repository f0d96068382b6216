package maps

import (
	"errors"
	"fmt"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
)

// counting is an instance whose value is being computed.
type counting struct {
	in    instance
	n     uint64 // bytes counted, padding included
	pad   uint64 // bytes of padding
	value checksum.Value
	err   error // why there is no value

	alg     checksum.Algorithm // of the instance, with its start value
	runs    []*cursor          // what it counts, in order
	open    int                // runs that are not at their end
	waiting []*counting        // instances that start from the value
	seeded  bool               // it is one of those
	opened  bool               // it was started
}

// plan finds out how many bytes an instance counts, and takes them off the
// budget of its rule.
func (ev *evaluator) plan(in instance, budget *uint64) *counting {
	c := &counting{in: in, alg: in.rule.alg}
	c.err = ev.measure(c, budget)
	return c
}

func (ev *evaluator) measure(c *counting, budget *uint64) error {
	in := c.in
	if in.err != nil {
		return in.err
	}
	n, err := ev.countedBytes(in)
	if err != nil {
		return err
	}
	if n > *budget {
		return fmt.Errorf("the rule would count more than %d bytes, the most it may in an image of %d bytes", MaxCovered(ev.im.Size()), ev.im.Size())
	}
	*budget -= n
	if p := in.rule.Pad; p != nil && n%uint64(p.To) != 0 {
		c.pad = uint64(p.To) - n%uint64(p.To)
	}
	c.n = n + c.pad
	if params, isSum := in.rule.alg.Sum(); isSum && in.rule.Sum != nil && c.n%uint64(params.WordSize) != 0 {
		return fmt.Errorf("the rule counts %d bytes, which is no whole number of %d-byte words; say in the map with pad what follows the last one", c.n, params.WordSize)
	}
	return nil
}

// countedBytes returns how many bytes the pieces of an instance feed.
func (ev *evaluator) countedBytes(in instance) (uint64, error) {
	var n uint64
	for _, p := range in.pieces {
		m := ev.pieceBytes(in, p)
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

// pieceBytes returns how many bytes one piece feeds.
func (ev *evaluator) pieceBytes(in instance, p piece) uint64 {
	switch p.kind {
	case pieceLiteral:
		return uint64(len(p.literal))
	case pieceLength:
		return uint64(p.length)
	}
	n := p.where.Size
	if in.rule.Gaps.Skip {
		for _, gap := range image.SubtractRanges(ev.im.Gaps(p.where), maskRanges(in.masks)) {
			n -= gap.Size
		}
	}
	return n
}

func maskRanges(masks []mask) []image.Range {
	out := make([]image.Range, len(masks))
	for i, m := range masks {
		out[i] = m.where
	}
	return out
}

// start makes the runs of an instance. Pieces that go back to lower addresses
// begin a run of their own, so that all runs can be fed in one pass and their
// values be combined. Where that cannot be done there is one run.
func (ev *evaluator) start(c *counting) error {
	alg, h, err := ev.algorithm(c.in.rule, c.n)
	if err != nil {
		return err
	}
	c.alg = alg
	pieces, done := c.in.pieces, uint64(0)
	for _, cut := range ev.cuts(c.in, uint64(h.BlockSize())) {
		n := cut.piece - (len(c.in.pieces) - len(pieces))
		c.runs = append(c.runs, &cursor{c: c, hash: h, w: h, pieces: pieces[:n], done: done})
		pieces, done, h = pieces[n:], cut.done, c.in.rule.alg.New()
	}
	c.runs = append(c.runs, &cursor{c: c, hash: h, w: h, pieces: pieces, done: done, pad: c.pad})
	c.open = len(c.runs)
	return nil
}

// cut says where a run begins.
type cut struct {
	piece int
	done  uint64 // bytes counted before it
}

// cuts returns where the pieces of an instance go back to lower addresses, nil
// if they do not, or if the values of its runs cannot be combined: each run
// but the last must be whole words, of as many bytes as word says.
func (ev *evaluator) cuts(in instance, word uint64) []cut {
	var cuts []cut
	var done, last uint64
	seen := false // an image piece, which ends at last
	for i, p := range in.pieces {
		if p.kind == pieceImage {
			if seen && p.where.Start <= last {
				cuts = append(cuts, cut{piece: i})
			}
			seen, last = true, p.where.Last()
		}
	}
	if len(cuts) == 0 || !combines(in.rule.alg) {
		return nil
	}
	next := 0
	for i, p := range in.pieces {
		if next < len(cuts) && cuts[next].piece == i {
			if done%word != 0 {
				return nil
			}
			cuts[next].done = done
			next++
		}
		done += ev.pieceBytes(in, p)
	}
	return cuts
}

// combines reports whether the values of two messages tell that of one after
// the other, in every case. Sums with end-around carry have two zeros, and a
// value does not tell which of them a sum over zeros alone would show.
func combines(alg checksum.Algorithm) bool {
	if p, isSum := alg.Sum(); isSum && p.Op == checksum.OpCarry {
		return false
	}
	empty := alg.Checksum(nil)
	_, err := alg.Combine(empty, empty, 0)
	return err == nil
}

// end takes the values of the runs together once all are at their end.
func (c *counting) end() {
	for i, run := range c.runs {
		if c.err = run.err; c.err != nil {
			break
		}
		value := run.hash.Value()
		if i > 0 {
			n := run.done + run.pad - c.runs[i-1].done
			if value, c.err = c.in.rule.alg.Combine(c.value, value, n); c.err != nil {
				break
			}
		}
		c.value = value
	}
	c.runs = nil
}
