package maps

import (
	"errors"
	"fmt"
	"math/big"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// MaxCovered returns how many bytes one rule may count in an image of the
// given size, all its repetitions together: eight times the image, and at
// least 16 MiB. Lengths read from a hostile image thus cost no more than that.
func MaxCovered(imageSize uint64) uint64 {
	return max(16<<20, 8*imageSize)
}

// MaxResults is how often all rules of a map are evaluated together. Each rule
// beyond fails with a result that says so.
const MaxResults = 1 << 16

var errTooMany = fmt.Errorf("the rules of the map ask for more than %d repetitions, records and list items together", MaxResults)

var errNoEntries = errors.New("the table or list in the image has no entries, so that the rule proves nothing")

// RuleResult is the outcome of one checksum rule.
type RuleResult struct {
	Rule      string           `json:"rule"`
	Repeat    int              `json:"repeat,omitempty"` // 1-based for a repeated rule (a record, a list item), 0 otherwise
	Algorithm string           `json:"algorithm"`
	Cover     []image.Range    `json:"cover"`            // what is counted, in order; literal bytes have no range
	Field     *image.Range     `json:"field,omitempty"`  // where the stored value lies
	Cell      *image.Range     `json:"cell,omitempty"`   // what may be changed to reach a target
	Stored    string           `json:"stored,omitempty"` // "0x..." as it would compare with Computed; for a target, the target
	Computed  string           `json:"computed"`         // "" if it could not be computed
	Verdict   evidence.Verdict `json:"verdict"`
	Reason    string           `json:"reason"` // one sentence

	code  string          // of the finding
	value *checksum.Value // in full; nil if it could not be computed
}

// Finding returns what r means as a finding: a fault, a caution, or a note for
// a rule that agrees. The region is left to the caller, who has the map.
func (r RuleResult) Finding() evidence.Finding {
	f := evidence.Finding{Message: r.title() + ": " + r.Reason}
	switch r.Verdict {
	case evidence.Pass:
		f.Code, f.Severity = CodeAgrees, evidence.Note
	case evidence.Unproven:
		f.Code, f.Severity = CodeUnset, evidence.Caution
	default:
		f.Code, f.Severity = CodeMismatch, evidence.Fault
	}
	if r.code != "" { // a result that Check did not make has none
		f.Code = r.code
	}
	f.Message += advice[f.Code]
	if r.Field != nil {
		f.Ranges = []image.Range{*r.Field}
	} else {
		f.Ranges = r.Cover
	}
	return f
}

// advice is what to do next about a rule that does not agree.
var advice = map[string]string{
	CodeMismatch:   "; read the memory again, or compute the value anew if these bytes were edited on purpose",
	CodeUnreadable: "; read the memory again, or mend the rule if the map is wrong",
	CodeUnset:      "; compare two reads instead",
	CodeEmpty:      "; read the memory again, or mend the rule if the map is wrong",
}

func (r RuleResult) title() string {
	if r.Repeat > 0 {
		return fmt.Sprintf("checksum %q (%d)", r.Rule, r.Repeat)
	}
	return fmt.Sprintf("checksum %q", r.Rule)
}

// Check evaluates every checksum rule, in map order; a repeated rule gives one
// result a repetition, a table or list one an entry. A rule whose numbers
// cannot be read, or point outside what the image holds, fails: a good image
// has them.
//
// All rules are computed in one pass: every byte that a rule counts is read
// once, in the order of addresses, and given to all rules that count it. Some
// bytes are read again:
//
//   - fields, and numbers that lie in the image;
//   - the parts of a rule that stand in another order than that of addresses,
//     if its algorithm gives no value of the whole from those of the parts
//     (digests, sums with end-around carry, the Unix sums) or if a part ends
//     within a word;
//   - the bytes of a rule that starts from another one's result, as far as
//     they come before the last byte of that one.
//
// [ReadOnce] does the same and hashes files, compares images and more in the same
// pass.
func (b *Bound) Check() []RuleResult {
	return newEvaluator(b.Map, b.Image).check(nil)
}

// evaluator computes rules over one image.
type evaluator struct {
	resolver
	im    *image.Image
	held  []image.Range              // the segments of im
	seeds map[string]*checksum.Value // results other rules start from, by rule name; nil while being computed or not computable
}

// newEvaluator takes no map, nil, for one without rules.
func newEvaluator(m *Map, im *image.Image) *evaluator {
	if m == nil {
		m = &Map{}
	}
	ev := &evaluator{im: im, held: im.Segments(), seeds: map[string]*checksum.Value{}}
	ev.resolver = resolver{m: m, read: func(p []byte, addr uint64) error {
		_, err := im.ReadAddr(p, addr)
		return err
	}}
	return ev
}

// check evaluates all rules; file, unless it is nil, takes part in the pass.
func (ev *evaluator) check(file *cursor) []RuleResult {
	all := ev.plans()
	ev.run(all, file)
	results := make([]RuleResult, len(all))
	for i, c := range all {
		results[i] = ev.outcome(c.in, c.value, c.err)
	}
	return results
}

// plans returns what [Bound.Check] gives results for, in its order.
func (ev *evaluator) plans() (all []*counting) {
	for i := range ev.m.Checksums {
		r := &ev.m.Checksums[i]
		budget := MaxCovered(ev.im.Size())
		for in := range ev.instances(r) {
			if full := len(all) >= MaxResults; full {
				in = instance{rule: r, n: in.n, err: errTooMany}
			}
			all = append(all, ev.plan(in, &budget))
			if in.err != nil {
				break
			}
		}
	}
	return all
}

// outcome compares the value of an instance with what the image or the map
// says it must be; err says why there is no value.
func (ev *evaluator) outcome(in instance, value checksum.Value, err error) RuleResult {
	out := newOutcome(in)
	if err != nil {
		out.fail(err)
		return out
	}
	out.value = &value
	if in.rule.Stored == nil {
		out.compareTarget(in.rule, value)
		return out
	}
	field := make([]byte, in.field.Size)
	if _, err := ev.im.ReadAddr(field, in.field.Start); err != nil {
		out.Computed = in.rule.shown(value)
		out.fail(fmt.Errorf("the stored value cannot be read: %w", err))
		return out
	}
	out.compareField(in.rule, value, field)
	return out
}

// newOutcome says what is evaluated, without the result.
func newOutcome(in instance) RuleResult {
	r := in.rule
	out := RuleResult{Rule: r.Name, Repeat: in.n, Algorithm: r.AlgorithmName(), Cover: []image.Range{}}
	for _, p := range in.pieces {
		if p.kind == pieceImage {
			out.Cover = append(out.Cover, p.where)
		}
	}
	if in.field.Size > 0 {
		out.Field = &in.field
	}
	if in.cell.Size > 0 {
		out.Cell = &in.cell
	}
	return out
}

// fail records that the rule could not be evaluated.
func (out *RuleResult) fail(err error) {
	out.Verdict, out.code = evidence.Fail, CodeUnreadable
	if errors.Is(err, errNoEntries) {
		out.Verdict, out.code = evidence.Unproven, CodeEmpty
	}
	out.Reason = err.Error()
}

func (out *RuleResult) compareTarget(r *Rule, value checksum.Value) {
	target, _ := r.Target.value(value.Width()) // fits: the map was validated
	out.Stored, out.Computed = target.String(), value.String()
	if value == target {
		out.Verdict, out.code = evidence.Pass, CodeAgrees
		out.Reason = fmt.Sprintf("computed %s, as the map demands", out.Computed)
		return
	}
	out.Verdict, out.code = evidence.Fail, CodeMismatch
	out.Reason = fmt.Sprintf("computed %s, but the map demands %s", out.Computed, out.Stored)
	if out.Cell != nil {
		out.Reason += fmt.Sprintf(" (the balancing cell is at %s)", *out.Cell)
	}
}

func (out *RuleResult) compareField(r *Rule, value checksum.Value, field []byte) {
	s := r.Stored
	want := s.comparable(value)
	got, fault := s.decode(field, value.Width())
	out.Stored, out.Computed = got.String(), want.String()
	at := in0x(out.Field.Start)
	switch {
	case fault == "" && got == want:
		out.Verdict, out.code = evidence.Pass, CodeAgrees
		out.Reason = fmt.Sprintf("computed %s, and the field at %s holds it", out.Computed, at)
	case s.unset(field):
		out.Verdict, out.code = evidence.Unproven, CodeUnset
		out.Reason = fmt.Sprintf("computed %s, but the field at %s is filled with 0x%02X: no value was ever stored, so nothing proves these bytes", out.Computed, at, field[0])
	case fault != "":
		out.Verdict, out.code = evidence.Fail, CodeMismatch
		out.Reason = fmt.Sprintf("computed %s, but in the field at %s %s", out.Computed, at, fault)
	default:
		out.Verdict, out.code = evidence.Fail, CodeMismatch
		out.Reason = fmt.Sprintf("computed %s, but the field at %s holds %s", out.Computed, at, out.Stored)
	}
}

func in0x(addr uint64) string { return fmt.Sprintf("0x%X", addr) }

// algorithm returns the algorithm of r for n bytes, and the hash before the
// first of them.
func (ev *evaluator) algorithm(r *Rule, n uint64) (checksum.Algorithm, checksum.Hash, error) {
	alg := r.alg
	if r.InitFrom != "" {
		seed, err := ev.seed(r.InitFrom)
		if err != nil {
			return alg, nil, err
		}
		if r.InitAs == InitContinue {
			h, err := alg.Resume(seed)
			return alg, h, err
		}
		if alg, err = alg.WithInit(initFrom(alg, r.InitAs, seed)); err != nil {
			return alg, nil, err
		}
	}
	if r.AddLength != "" {
		params, _ := alg.Sum()
		if r.AddLength == LengthWords {
			n /= uint64(params.WordSize)
		}
		// A length is one more number that is added; adding it first gives the same sum.
		var err error
		if alg, err = alg.WithInit(addLength(params, n)); err != nil {
			return alg, nil, err
		}
	}
	return alg, alg.New(), nil
}

// addLength returns the start value of a sum with n added.
func addLength(p checksum.SumParams, n uint64) checksum.Value {
	sum := new(big.Int).Add(new(big.Int).SetUint64(p.Init), new(big.Int).SetUint64(n))
	mask := bitMask(p.Width)
	if p.Op == checksum.OpCarry {
		for sum.Cmp(mask) > 0 {
			carry := new(big.Int).Rsh(sum, uint(p.Width))
			sum.And(sum, mask).Add(sum, carry)
		}
	}
	return numberValue(p.Width, sum.And(sum, mask))
}

// initFrom turns another rule's result into the init parameter of alg.
func initFrom(alg checksum.Algorithm, as InitAs, seed checksum.Value) checksum.Value {
	number := valueNumber(seed)
	if p, isCRC := alg.CRC(); isCRC && p.RefIn && as == InitRegister {
		mirrored := new(big.Int)
		for i := range p.Width {
			mirrored.SetBit(mirrored, p.Width-1-i, number.Bit(i))
		}
		number = mirrored
	}
	return numberValue(alg.Width(), number)
}

// seed returns the result of the rule with the given name.
func (ev *evaluator) seed(name string) (checksum.Value, error) {
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
		return checksum.Value{}, noSeed(name)
	}
	return *known, nil
}

func noSeed(name string) error {
	return fmt.Errorf("it starts from checksum %q, which could not be computed", name)
}
