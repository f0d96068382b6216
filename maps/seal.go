package maps

import (
	"errors"
	"fmt"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// Patch is new bytes for an address.
type Patch struct {
	Rule   string
	Addr   uint64
	Before []byte
	After  []byte
}

// NoFieldError says that a rule does not agree and that the map names nothing
// that could be changed to make it agree: neither a stored value nor a cell to
// rebalance.
type NoFieldError struct{ Rule string }

func (e *NoFieldError) Error() string {
	return fmt.Sprintf("checksum %q does not agree, and the map names no field or cell to change; the bytes it covers have to be put right by hand", e.Rule)
}

// LoopError says that rules cover each other's fields, so that no order of
// sealing makes all of them agree.
type LoopError struct{ Rules []string } // each needs the next; the first one stands at the end again

func (e *LoopError) Error() string {
	return "checksums depend on one another in a loop: " + strings.Join(e.Rules, " needs ")
}

// SealError says why a rule could not be made to agree.
type SealError struct {
	Rule   string
	Repeat int // as in [RuleResult]
	Err    error
}

func (e *SealError) Error() string {
	return fmt.Sprintf("%s cannot be sealed: %s", RuleResult{Rule: e.Rule, Repeat: e.Repeat}.title(), e.Err)
}

func (e *SealError) Unwrap() error { return e.Err }

// Seal computes the stored values that make every failing rule agree, in
// dependency order, each from the bytes as patched so far: a rule that covers
// another one's field comes after it. A target is reached by changing the cell
// the map names, and nothing else. Fields that are unset stay unset. Seal
// changes nothing; [Bound.Apply] shows the image with its patches.
//
// Every byte is read once for the values as they are. What a patch makes of a
// value is computed from that and the patched bytes, as in [Bound.Predict]; only
// where the algorithm does not allow it the rule is evaluated anew.
//
// The patches are proved: all rules are evaluated again on the patched image,
// and Seal fails unless each of them agrees or is unset. The error holds a
// [*NoFieldError], [*LoopError] or [*SealError] for every rule that stands in
// the way.
func (b *Bound) Seal() ([]Patch, error) {
	all, errs := b.sealable()
	needs := dependencies(all)
	order, loop := sealOrder(all, needs)
	if loop != nil {
		names := make([]string, len(loop))
		for i, in := range loop {
			names[i] = in.rule.Name
		}
		errs = append(errs, &LoopError{names})
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	s := newSealer(b, all)
	for _, i := range order {
		if len(needs[i]) > 0 {
			if err := s.advance(); err != nil {
				return nil, err
			}
		}
		if err := s.seal(i); err != nil {
			errs = append(errs, err)
		}
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	sealed, err := b.Apply(s.patches)
	if err != nil {
		return nil, err
	}
	for _, r := range sealed.Check() {
		if r.Verdict == evidence.Fail {
			errs = append(errs, &SealError{r.Rule, r.Repeat, fmt.Errorf("after all rules were sealed: %s", r.Reason)})
		}
	}
	return s.patches, errors.Join(errs...)
}

// sealable returns the instances of all rules, and an error for each that
// cannot be told from the image.
func (b *Bound) sealable() (all []instance, errs []error) {
	ev := newEvaluator(b.Map, b.Image)
	for i := range ev.m.Checksums {
		for in := range ev.instances(&ev.m.Checksums[i]) {
			switch {
			case errors.Is(in.err, errNoEntries):
			case in.err != nil:
				errs = append(errs, &SealError{in.rule.Name, in.n, in.err})
			case len(all) >= MaxResults:
				return nil, append(errs, &SealError{in.rule.Name, in.n, errTooMany})
			default:
				all = append(all, in)
			}
		}
	}
	return all, errs
}

// Apply returns the same map bound to a view of the image with patches applied.
func (b *Bound) Apply(patches []Patch) (*Bound, error) {
	segments := make([]image.Segment, len(patches))
	for i, p := range patches {
		segments[i] = image.Segment{Start: p.Addr, Data: p.After}
	}
	im, err := b.Image.Patch(segments...)
	if err != nil {
		return nil, fmt.Errorf("apply patches: %w", err)
	}
	return &Bound{Map: b.Map, Image: im, size: b.size}, nil
}
