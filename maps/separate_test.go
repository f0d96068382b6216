package maps

import (
	"fmt"
	"io"
	"slices"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// separate evaluates each rule by itself, reading each of its ranges in turn.
// It is what the one pass of Check is compared with: slow and plain.
type separate struct {
	*evaluator
	seeds map[string]*checksum.Value
}

// CheckSeparately is Check done that way.
func CheckSeparately(b *Bound) []RuleResult {
	ev := &separate{newEvaluator(b.Map, b.Image), map[string]*checksum.Value{}}
	results := []RuleResult{}
	for i := range b.Map.Checksums {
		r := &b.Map.Checksums[i]
		budget := MaxCovered(b.Image.Size())
		for in := range ev.instances(r) {
			if full := len(results) >= MaxResults; full {
				in = instance{rule: r, n: in.n, err: errTooMany}
			}
			value, err := ev.compute(in, &budget)
			results = append(results, ev.outcome(in, value, err))
			if in.err != nil {
				break
			}
		}
	}
	return results
}

// compute returns the value of an instance.
func (ev *separate) compute(in instance, budget *uint64) (checksum.Value, error) {
	if in.err != nil {
		return checksum.Value{}, in.err
	}
	n, err := ev.countedBytes(in)
	if err != nil {
		return checksum.Value{}, err
	}
	if n > *budget {
		return checksum.Value{}, fmt.Errorf("the rule would count more than %d bytes, the most it may in an image of %d bytes", MaxCovered(ev.im.Size()), ev.im.Size())
	}
	*budget -= n
	pad := uint64(0)
	if p := in.rule.Pad; p != nil && n%uint64(p.To) != 0 {
		pad = uint64(p.To) - n%uint64(p.To)
	}
	h, err := ev.start(in.rule, n+pad)
	if err != nil {
		return checksum.Value{}, err
	}
	var done uint64
	for _, p := range in.pieces {
		m, err := ev.feed(h, in, p, done)
		if err != nil {
			return checksum.Value{}, err
		}
		done += m
	}
	for range pad {
		h.Write([]byte{in.rule.Pad.With})
	}
	return h.Value(), nil
}

// start returns the hash of r before its first byte; n bytes will follow.
func (ev *separate) start(r *Rule, n uint64) (checksum.Hash, error) {
	alg := r.alg
	params, isSum := alg.Sum()
	if isSum && r.Sum != nil && n%uint64(params.WordSize) != 0 {
		return nil, fmt.Errorf("the rule counts %d bytes, which is no whole number of %d-byte words; say in the map with pad what follows the last one", n, params.WordSize)
	}
	if r.InitFrom != "" {
		seed, err := ev.seed(r.InitFrom)
		if err != nil {
			return nil, err
		}
		if r.InitAs == InitContinue {
			return alg.Resume(seed)
		}
		if alg, err = alg.WithInit(initFrom(alg, r.InitAs, seed)); err != nil {
			return nil, err
		}
	}
	if r.AddLength == "" {
		return alg.New(), nil
	}
	params, _ = alg.Sum()
	if r.AddLength == LengthWords {
		n /= uint64(params.WordSize)
	}
	// A length is one more number that is added; adding it first gives the same sum.
	alg, err := alg.WithInit(addLength(params, n))
	if err != nil {
		return nil, err
	}
	return alg.New(), nil
}

// seed returns the result of the rule with the given name.
func (ev *separate) seed(name string) (checksum.Value, error) {
	known, seen := ev.seeds[name]
	if !seen {
		ev.seeds[name] = nil
		for i := range ev.m.Checksums {
			if r := &ev.m.Checksums[i]; r.Name == name {
				budget := MaxCovered(ev.im.Size())
				for in := range ev.instances(r) {
					if value, err := ev.compute(in, &budget); err == nil {
						known = &value
					}
				}
			}
		}
		ev.seeds[name] = known
	}
	if known == nil {
		return checksum.Value{}, fmt.Errorf("it starts from checksum %q, which could not be computed", name)
	}
	return *known, nil
}

// feed writes one piece to w and returns its number of bytes; done is the
// number of bytes before it.
func (ev *separate) feed(w io.Writer, in instance, p piece, done uint64) (uint64, error) {
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

// SealSeparately is Seal in which every rule is evaluated anew whenever its
// value is needed, and nothing is computed from patched bytes alone.
func SealSeparately(b *Bound) (patches []Patch, errs []error) {
	all, errs := b.sealable()
	order, loop := sealOrder(all, dependencies(all))
	if loop != nil || len(errs) > 0 {
		return nil, errs
	}
	for _, i := range order {
		in := all[i]
		value := func(more ...Patch) (*Bound, checksum.Value, error) {
			now, err := b.Apply(append(slices.Clone(patches), more...))
			if err != nil {
				return nil, checksum.Value{}, err
			}
			budget := MaxCovered(b.Image.Size())
			v, err := (&separate{newEvaluator(now.Map, now.Image), map[string]*checksum.Value{}}).compute(in, &budget)
			return now, v, err
		}
		now, v, err := value()
		if err != nil {
			return nil, []error{err}
		}
		if newEvaluator(b.Map, now.Image).outcome(in, v, nil).Verdict != evidence.Fail {
			continue
		}
		where := in.written()
		before, err := now.Image.Bytes(where)
		if err != nil {
			return nil, []error{err}
		}
		p := Patch{Rule: in.rule.Name, Addr: where.Start, Before: before}
		if in.rule.Stored != nil {
			p.After = in.rule.Stored.encode(v, before)
		} else if p.After, err = in.rebalance(func(cell []byte) (checksum.Value, error) {
			_, v, err := value(Patch{Addr: where.Start, After: cell})
			return v, err
		}); err != nil {
			return nil, []error{err}
		}
		patches = append(patches, p)
	}
	return patches, nil
}
