package diffmap

import (
	"math"
	"slices"

	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// TableChange is a table before and after, in physical units.
type TableChange struct {
	Before      maps.TableValue `json:"before"`
	After       maps.TableValue `json:"after"`
	Cells       []int           `json:"cells"`                  // indexes into Cells of those that differ, ascending
	Deltas      []*float64      `json:"deltas"`                 // beside Cells: after less before; nil where one of the two is missing or no number
	AxesChanged bool            `json:"axes_changed,omitempty"` // a point of an axis, or the number of points
}

// IdentityChange is an identity field before and after.
type IdentityChange struct {
	Before  maps.IdentityValue `json:"before"`
	After   maps.IdentityValue `json:"after"`
	Changed bool               `json:"changed"` // its bytes differ, also where the decoded text is the same
}

// RuleChange is a checksum rule before and after. A repetition that exists in
// one image only (the map reads the number of repetitions from the image) has
// an unproven counterpart whose Reason says so.
type RuleChange struct {
	Before maps.RuleResult `json:"before"`
	After  maps.RuleResult `json:"after"`
}

// changedTables pairs the tables of two images decoded by one map.
func changedTables(before, after []maps.TableValue) []TableChange {
	var out []TableChange
	for i := range min(len(before), len(after)) {
		b, a := before[i], after[i]
		change := TableChange{Before: b, After: a, Cells: []int{}, Deltas: []*float64{}, AxesChanged: axisDiffers(b.X, a.X) || axisDiffers(b.Y, a.Y)}
		if b.Rows != a.Rows || b.Cols != a.Cols {
			change.AxesChanged = true
		}
		for cell := range max(len(b.Cells), len(a.Cells)) {
			// Raw values are compared: a float cell that is not a number equals itself then.
			if cell >= len(b.Cells) || cell >= len(a.Cells) || b.Cells[cell].Raw != a.Cells[cell].Raw {
				change.Cells = append(change.Cells, cell)
				change.Deltas = append(change.Deltas, delta(b, a, cell))
			}
		}
		if len(change.Cells) > 0 || change.AxesChanged || b.Problem != a.Problem {
			out = append(out, change)
		}
	}
	return out
}

func delta(before, after maps.TableValue, cell int) *float64 {
	if cell >= len(before.Cells) || cell >= len(after.Cells) {
		return nil
	}
	d := after.Cells[cell].Value - before.Cells[cell].Value
	if math.IsNaN(d) || math.IsInf(d, 0) {
		return nil
	}
	return &d
}

func axisDiffers(a, b *maps.Axis) bool {
	if a == nil || b == nil {
		return a != b
	}
	same := func(x, y float64) bool { return x == y || x != x && y != y } // two points that are not numbers are the same
	return !slices.EqualFunc(a.Values, b.Values, same)
}

func pairIdentity(original, modified *maps.Bound) ([]IdentityChange, error) {
	before, after := original.Identity(), modified.Identity()
	var out []IdentityChange
	for i := range min(len(before), len(after)) {
		same, err := sameBytes(original.Image, modified.Image, before[i].Range)
		if err != nil {
			return nil, err
		}
		out = append(out, IdentityChange{Before: before[i], After: after[i], Changed: !same})
	}
	return out, nil
}

// pairRules pairs results by rule and repetition. The order is that of after,
// with repetitions that only before has following the last of their rule.
func pairRules(before, after []maps.RuleResult) []RuleChange {
	type key struct {
		rule   string
		repeat int
	}
	was := make(map[key]maps.RuleResult, len(before))
	for _, r := range before {
		was[key{r.Rule, r.Repeat}] = r
	}
	var out []RuleChange
	for _, r := range after {
		k := key{r.Rule, r.Repeat}
		old, ok := was[k]
		if !ok {
			old = absent(r, "the original image has no such repetition")
		}
		delete(was, k)
		out = append(out, RuleChange{Before: old, After: r})
	}
	for _, r := range before {
		if _, left := was[key{r.Rule, r.Repeat}]; !left {
			continue
		}
		at := len(out)
		for i := len(out) - 1; i >= 0; i-- {
			if out[i].After.Rule == r.Rule {
				at = i + 1
				break
			}
		}
		out = slices.Insert(out, at, RuleChange{Before: r, After: absent(r, "the modified image has no such repetition")})
	}
	return out
}

func absent(like maps.RuleResult, reason string) maps.RuleResult {
	return maps.RuleResult{Rule: like.Rule, Repeat: like.Repeat, Algorithm: like.Algorithm, Verdict: evidence.Unproven, Reason: reason}
}
