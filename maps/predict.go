package maps

import (
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"sort"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
)

// maxUpdates is how many stretches a prediction follows through one instance.
// With more of them, evaluating it anew takes no longer.
const maxUpdates = 1 << 12

// Prediction is the value a checksum rule will have after patches, or why that
// cannot be told without evaluating it.
type Prediction struct {
	Rule     string
	Repeat   int    // as in [RuleResult]
	Changed  uint64 // bytes the rule counts that the patches replace; one counted twice is two
	Computed string // as in [RuleResult]; "" if it cannot be told
	Reason   string // one sentence why it cannot be told; "" if it can

	value checksum.Value
}

// Known reports whether the value can be told.
func (p Prediction) Known() bool { return p.Reason == "" }

// Equals reports whether r, a result of [Bound.Check], has the value that was
// predicted, in all its bits: also in those that the field does not keep.
func (p Prediction) Equals(r RuleResult) bool {
	return p.Known() && r.value != nil && *r.value == p.value
}

// Predict tells what [Bound.Check] will compute for each rule once patches are
// applied, from results, which are those of Check now, and from the bytes that
// change. It reads those and the numbers by which rules find what they count,
// and nothing else. For k changed bytes of a rule that counts n it takes
// O(k + log n), for each stretch of them. Of a patch it uses Addr and After;
// bytes that a rule counts as others change nothing.
//
// It does not guess. The value cannot be told
//
//   - where there is none now;
//   - if the algorithm does not allow it: of digests and the BSD sum, and in rare
//     cases of sums with end-around carry ([checksum.Algorithm.Patched]);
//   - of a rule that starts from the result of another one;
//   - if a patch changes what the rule counts or where its value lies, by a
//     number that is read from the image;
//   - if a patch lies in a range of which addresses are skipped because the
//     image holds no byte there;
//   - of more than 4096 changed stretches in what one rule counts.
//
// Any other rule none of whose counted bytes change keeps its value, whatever
// its algorithm. It is an error if results are of another map or image, if patches
// overlap, or if the image does not hold what they replace.
func (b *Bound) Predict(results []RuleResult, patches []Patch) ([]Prediction, error) {
	after, err := b.Apply(patches)
	if err != nil {
		return nil, err
	}
	changes, err := changesOf(b.Image, patches)
	if err != nil {
		return nil, err
	}
	ev := newEvaluator(b.Map, b.Image)
	now, then := ev.plans(), newEvaluator(b.Map, after.Image).plans()
	if len(now) != len(results) {
		return nil, fmt.Errorf("predict: %d results were given, but this image has %d; give those that Check returns for it", len(results), len(now))
	}
	type key struct {
		rule string
		n    int
	}
	later := make(map[key]*counting, len(then))
	for _, c := range then {
		later[key{c.in.rule.Name, c.in.n}] = c
	}
	out := make([]Prediction, len(now))
	for i, c := range now {
		r := results[i]
		if r.Rule != c.in.rule.Name || r.Repeat != c.in.n {
			return nil, fmt.Errorf("predict: result %d is of %s, where %s is expected; give those that Check returns for this image",
				i+1, r.title(), RuleResult{Rule: c.in.rule.Name, Repeat: c.in.n}.title())
		}
		p := Prediction{Rule: r.Rule, Repeat: r.Repeat}
		if p.value, p.Changed, err = ev.predict(c, later[key{r.Rule, r.Repeat}], r, changes); err != nil {
			p.Reason = err.Error()
		} else {
			p.Computed = c.in.rule.shown(p.value)
		}
		out[i] = p
	}
	return out, nil
}

// predict returns the value of c, whose result is r, after changes that make it
// later.
func (ev *evaluator) predict(c, later *counting, r RuleResult, changes []change) (checksum.Value, uint64, error) {
	switch {
	case r.value == nil:
		return checksum.Value{}, 0, errors.New("it has no value now")
	case c.err != nil:
		return checksum.Value{}, 0, c.err
	case later == nil || later.err != nil || later.n != c.n || !reflect.DeepEqual(later.in, c.in):
		return checksum.Value{}, 0, errors.New("the patches change what it counts or where its value is stored")
	}
	return ev.patched(c, *r.value, changes)
}

// shown returns a value of the rule as results show it.
func (r *Rule) shown(v checksum.Value) string {
	if r.Stored != nil {
		v = r.Stored.comparable(v)
	}
	return v.String()
}

// change is a stretch of bytes that are replaced by as many.
type change struct {
	addr          uint64
	before, after []byte
}

func (c change) where() image.Range {
	return image.Range{Start: c.addr, Size: uint64(len(c.after))}
}

// changesOf returns what patches, which do not overlap, change in an image, by
// address.
func changesOf(im *image.Image, patches []Patch) ([]change, error) {
	var out []change
	for _, p := range patches {
		if len(p.After) == 0 {
			continue
		}
		c := change{addr: p.Addr, before: make([]byte, len(p.After)), after: p.After}
		if _, err := im.ReadAddr(c.before, c.addr); err != nil {
			return nil, fmt.Errorf("the bytes a patch replaces: %w", err)
		}
		out = append(out, c)
	}
	slices.SortFunc(out, func(a, b change) int { return cmp.Compare(a.addr, b.addr) })
	return out, nil
}

// patched returns what the value old of an instance becomes by changes, and how
// many counted bytes they replace.
func (ev *evaluator) patched(c *counting, old checksum.Value, changes []change) (value checksum.Value, changed uint64, err error) {
	rule := c.in.rule
	if rule.InitFrom != "" {
		return value, 0, fmt.Errorf("it starts from the result of %q, which may change too", rule.InitFrom)
	}
	alg, _, err := ev.algorithm(rule, c.n)
	if err != nil {
		return value, 0, err
	}
	value = old
	var done uint64 // bytes counted before the piece
	updates := 0
	for _, p := range c.in.pieces {
		size := ev.pieceBytes(c.in, p)
		if p.kind != pieceImage {
			done += size
			continue
		}
		from := sort.Search(len(changes), func(i int) bool { return changes[i].where().Last() >= p.where.Start })
		for _, ch := range changes[from:] {
			part, ok := ch.where().Intersect(p.where)
			if !ok {
				break
			}
			for _, r := range image.SubtractRanges([]image.Range{part}, maskRanges(c.in.masks)) {
				if size != p.where.Size {
					return value, changed, fmt.Errorf("a patch lies in %s, of which addresses that the image does not hold are skipped", p.where)
				}
				if updates++; updates > maxUpdates {
					return value, changed, fmt.Errorf("more than %d stretches of what it counts change", maxUpdates)
				}
				i, j := r.Start-ch.addr, r.Start-ch.addr+r.Size
				if value, err = alg.Patched(value, c.n, done+r.Start-p.where.Start, ch.before[i:j], ch.after[i:j]); err != nil {
					return value, changed, err
				}
				changed += r.Size
			}
		}
		done += size
	}
	return value, changed, nil
}
