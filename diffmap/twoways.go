package diffmap

import (
	"fmt"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// maxPredicted is how many changed bytes the gate computes checksums from in a
// second way.
const maxPredicted = 64 << 10

// predict computes the values of the rules of modified from results, those of
// original, and from the changes of diff, which joins none. It returns nil if
// nothing changed, if too much did, or if the images hold different addresses.
func predict(original *maps.Bound, results []maps.RuleResult, modified *maps.Bound, diff *Result) ([]maps.Prediction, error) {
	switch {
	case diff.BytesChanged == 0, diff.BytesChanged > maxPredicted,
		uint64(len(diff.Changes)) != diff.ChangeCount,
		len(diff.Appeared)+len(diff.Vanished) > 0:
		return nil, nil
	}
	patches := make([]maps.Patch, len(diff.Changes))
	for i, ch := range diff.Changes {
		after, err := modified.Image.Bytes(ch.Range)
		if err != nil {
			return nil, fmt.Errorf("modified: %w", err)
		}
		patches[i] = maps.Patch{Addr: ch.Range.Start, After: after}
	}
	predicted, err := original.Predict(results, patches)
	if err != nil {
		return nil, fmt.Errorf("original: %w", err)
	}
	return predicted, nil
}

// sayTwoWays compares the values of the rules, computed from all bytes of the
// modified image, with those predicted from the original's. It says nothing if
// none were predicted, and changes no verdict unless two differ.
func (c *Condition) sayTwoWays(diff *Result, predicted []maps.Prediction) {
	if len(predicted) == 0 {
		return
	}
	type key struct {
		rule   string
		repeat int
	}
	known := make(map[key]maps.Prediction, len(predicted))
	for _, p := range predicted {
		if p.Known() {
			known[key{p.Rule, p.Repeat}] = p
		}
	}
	both, equal := 0, 0
	for _, r := range diff.Checksums {
		p, ok := known[key{r.After.Rule, r.After.Repeat}]
		if !ok || r.After.Computed == "" {
			continue
		}
		both++
		if p.Equals(r.After) {
			equal++
			continue
		}
		f := evidence.Finding{Code: CodeTwoWaysDiffer, Severity: evidence.Fault,
			Message: fmt.Sprintf("checksum %q: %s computed from all bytes of the modified image, but %s from the original's value and the changed bytes alone; "+
				"a file changed while it was read, or calproof computes wrongly: run it again on copies, and write nothing while they differ",
				titleOf(r.After), r.After.Computed, p.Computed)}
		if r.After.Field != nil {
			f.Ranges = []image.Range{*r.After.Field}
		} else {
			f.Ranges = r.After.Cover
		}
		c.find(f)
	}
	of := evidence.Sprintf("%d of %s", both, evidence.Count(uint64(len(diff.Checksums)), "value"))
	switch {
	case both == 0:
		c.Evidence = append(c.Evidence, "no value can also be computed from the original's and the changed bytes alone")
	case equal == both:
		c.Evidence = append(c.Evidence, of+" also computed from the original's value and the changed bytes alone: equal")
	default:
		c.Evidence = append(c.Evidence, evidence.Sprintf("%s also computed from the original's value and the changed bytes alone: %d not equal", of, both-equal))
	}
}

// titleOf names a rule and its repetition.
func titleOf(r maps.RuleResult) string {
	if r.Repeat > 0 {
		return fmt.Sprintf("%s (%d)", r.Rule, r.Repeat)
	}
	return r.Rule
}
