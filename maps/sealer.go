package maps

import (
	"errors"
	"fmt"

	"example.com/calproof/checksum"
	"example.com/calproof/image/evidence"
)

// sealer makes instances agree, one after another.
type sealer struct {
	b       *Bound      // the image as it was
	ev      *evaluator  // of it
	all     []*counting // with their values in it
	patches []Patch     // so far
	now     *Bound      // b with the first patches
	applied int         // how many
	changes []change    // from b to now
}

func newSealer(b *Bound, all []instance) *sealer {
	s := &sealer{b: b, now: b, ev: newEvaluator(b.Map, b.Image)}
	for _, in := range all {
		budget := MaxCovered(b.Image.Size()) // for each: they are evaluated one by one from here on
		s.all = append(s.all, s.ev.plan(in, &budget))
	}
	s.ev.run(s.all, nil)
	return s
}

// advance applies the patches so far, for an instance they concern.
func (s *sealer) advance() (err error) {
	if s.applied == len(s.patches) {
		return nil
	}
	if s.now, err = s.b.Apply(s.patches); err != nil {
		return err
	}
	s.applied = len(s.patches)
	s.changes, err = changesOf(s.b.Image, s.patches)
	return err
}

// seal adds the patch that makes one instance agree, unless it does or is
// unset.
func (s *sealer) seal(i int) error {
	c := s.all[i]
	in := c.in
	fail := func(err error) error { return &SealError{in.rule.Name, in.n, err} }
	value, err := s.value(c, s.now, c.value, c.err, s.changes)
	out := newEvaluator(s.b.Map, s.now.Image).outcome(in, value, err)
	if out.Verdict != evidence.Fail {
		return nil
	}
	where := in.written()
	switch {
	case out.code != CodeMismatch:
		return fail(errors.New(out.Reason))
	case where.Size == 0:
		return &NoFieldError{in.rule.Name}
	}
	before, err := s.now.Image.Bytes(where)
	if err != nil {
		return fail(err)
	}
	// with returns the image with other bytes at where, and the value in it.
	with := func(after []byte) (*Bound, checksum.Value, error) {
		patch := []Patch{{Addr: where.Start, After: after}}
		then, err := s.now.Apply(patch)
		if err != nil {
			return nil, checksum.Value{}, err
		}
		changes, err := changesOf(s.now.Image, patch)
		if err != nil {
			return nil, checksum.Value{}, err
		}
		v, err := s.value(c, then, value, nil, changes)
		return then, v, err
	}
	p := Patch{Rule: in.rule.Name, Addr: where.Start, Before: before}
	if in.rule.Stored != nil {
		p.After = in.rule.Stored.encode(value, before)
	} else {
		p.After, err = in.rebalance(func(cell []byte) (checksum.Value, error) {
			_, v, err := with(cell)
			return v, err
		})
		if err != nil {
			return fail(err)
		}
	}
	then, value, err := with(p.After)
	if then == nil {
		return fail(err)
	}
	if out := newEvaluator(s.b.Map, then.Image).outcome(in, value, err); out.Verdict != evidence.Pass {
		return fail(fmt.Errorf("with %X at 0x%X it does not agree either: %s", p.After, p.Addr, out.Reason))
	}
	s.patches = append(s.patches, p)
	return nil
}

// value returns the value of an instance in now, which some changes lead to
// from an image in which it was old, or could not be computed.
func (s *sealer) value(c *counting, now *Bound, old checksum.Value, oldErr error, changes []change) (checksum.Value, error) {
	if len(changes) == 0 {
		return old, oldErr
	}
	if oldErr == nil {
		if v, _, err := s.ev.patched(c, old, changes); err == nil {
			return v, nil
		}
	}
	budget := MaxCovered(now.Image.Size())
	return newEvaluator(now.Map, now.Image).compute(c.in, &budget)
}
