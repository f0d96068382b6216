package diffmap

import (
	"errors"
	"fmt"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// ResealInput is what is to be resealed. Image must be given.
type ResealInput struct {
	Image *maps.Bound
	// Original is the image before the edit, at the map's addresses. It is what
	// tells an edit from damage.
	Original *image.Image
	// WithoutOriginal goes on without an original; the result then says that
	// nobody looked at what else differs.
	WithoutOriginal bool
	Accepted        map[string]string // region name -> reason, for regions whose edit must be asked
}

// SealedField is one stored value that is put right.
type SealedField struct {
	Rule   string      `json:"rule"`
	Range  image.Range `json:"range"`
	Region string      `json:"region,omitempty"`
	Before string      `json:"before"` // bytes in hex, in the order of addresses
	After  string      `json:"after"`
}

// Resealing is a proved set of new stored values.
type Resealing struct {
	Fields    []SealedField      `json:"fields"` // in the order they were computed; empty if every rule agreed already
	Rules     []maps.RuleResult  `json:"checksums"`
	Original  bool               `json:"compared_with_original"`
	Accepted  map[string]string  `json:"accepted,omitempty"`
	Findings  []evidence.Finding `json:"-"`
	Patches   []maps.Patch       `json:"-"`
	Resealed  *maps.Bound        `json:"-"` // the image with the new values
	Cautioned []Caution          `json:"cautions"`
}

// RefusedError says why an image is not resealed, every reason at once.
type RefusedError struct{ Findings []evidence.Finding }

func (e *RefusedError) Error() string {
	reasons := make([]string, len(e.Findings))
	for i, f := range e.Findings {
		reasons[i] = f.Message
	}
	return "not resealed: " + strings.Join(reasons, "; ")
}

// ErrNoOriginal says that resealing needs the image before the edit.
var ErrNoOriginal = errors.New("not resealed: no original image was given, so nothing tells an edit from a bad read; " +
	"give the original, or say that you go on without it, which goes on record")

// Reseal computes the stored values of all checksum rules that do not agree, in
// the order in which they depend on one another, and nothing else. It changes
// nothing: the result says what to change, proved by evaluating every rule
// again and by comparing the resealed image with the input.
//
// It gives a *[RefusedError] if bytes differ from the original where the map
// allows no edit, if a signature covers a change, or if a value to be put right
// lies in a signature; [ErrNoOriginal] without an original; and the errors of
// [maps.Bound.Seal], such as for a rule with no field to write.
func Reseal(in ResealInput) (*Resealing, error) {
	if in.Original == nil && !in.WithoutOriginal {
		return nil, ErrNoOriginal
	}
	patches, err := in.Image.Seal()
	if err != nil {
		return nil, err
	}
	out := &Resealing{Fields: []SealedField{}, Patches: patches, Accepted: in.Accepted, Original: in.Original != nil}
	m := in.Image.Map
	var fields []image.Range
	for _, p := range patches {
		f := SealedField{Rule: p.Rule, Range: image.Range{Start: p.Addr, Size: uint64(len(p.After))},
			Before: fmt.Sprintf("%X", p.Before), After: fmt.Sprintf("%X", p.After)}
		if r, ok := m.RegionAt(p.Addr); ok {
			f.Region = r.Name
		}
		out.Fields = append(out.Fields, f)
		fields = append(fields, f.Range)
	}
	if out.Resealed, err = in.Image.Apply(patches); err != nil {
		return nil, err
	}
	refused, err := out.refusals(in, m, fields)
	if err != nil {
		return nil, err
	}
	if len(refused) > 0 {
		return nil, &RefusedError{refused}
	}
	if err := out.prove(in.Image.Image, fields); err != nil {
		return nil, err
	}
	return out, nil
}

// refusals judges what differs from the original and where the new values lie.
func (s *Resealing) refusals(in ResealInput, m *maps.Map, fields []image.Range) ([]evidence.Finding, error) {
	var refused []evidence.Finding
	for _, r := range m.Regions {
		if r.Role != maps.RoleSignature {
			continue
		}
		for _, f := range fields {
			if both, ok := r.Range.Intersect(f); ok {
				refused = append(refused, evidence.Finding{Code: CodeSignatureBroken, Severity: evidence.Fault, Region: r.Name, Ranges: []image.Range{both},
					Message: fmt.Sprintf("a value to be put right lies in signature %q at %s; a signature cannot be computed without its key", r.Name, both)})
			}
		}
	}
	if in.Original == nil {
		changed, err := Compare(in.Image.Image, s.Resealed.Image, m, Options{})
		if err != nil {
			return nil, err
		}
		s.Cautioned = cautions(m, changed)
		s.Findings = append(s.Findings, evidence.Finding{Code: CodeNoOriginal, Severity: evidence.Caution,
			Message: "no original was given: nobody looked at what else differs from the controller's own image; compare before you write"})
		return append(refused, brokenSignatures(m, changed)...), nil
	}
	diff, err := Compare(in.Original, s.Resealed.Image, m, Options{})
	if err != nil {
		return nil, fmt.Errorf("original: %w", err)
	}
	s.Cautioned = cautions(m, diff)
	refused = append(refused, coverageFindings(diff, evidence.Fault)...)
	refused = append(refused, brokenSignatures(m, diff)...)
	for _, f := range editsAllowed(diff.without(fields), in.Accepted).Findings {
		if f.Severity == evidence.Note {
			s.Findings = append(s.Findings, f)
			continue
		}
		refused = append(refused, f)
	}
	for i, f := range s.Fields {
		r, ok := m.RegionAt(f.Range.Start)
		if _, accepted := in.Accepted[r.Name]; r.Edit == maps.EditAsk && accepted {
			continue // the gate passes it with the same acceptance
		}
		if ok && r.Edit != maps.EditAllowed {
			s.Findings = append(s.Findings, evidence.Finding{Code: CodeFieldNotAllowed, Severity: evidence.Caution, Region: r.Name, Ranges: []image.Range{fields[i]},
				Message: fmt.Sprintf("the stored value of %q lies in %q, whose edit is not allowed: the gate will not pass the result as it stands", f.Rule, r.Name)})
		}
	}
	return refused, nil
}

// without returns r with the changes of some addresses taken out: stored values
// follow from what they cover and are judged by themselves.
func (r *Result) without(ranges []image.Range) *Result {
	out := *r
	out.Regions = nil
	out.BytesChanged = 0
	for _, c := range r.Regions {
		c.Ranges = image.SubtractRanges(c.Ranges, ranges)
		if left := image.TotalSize(c.Ranges); c.Omitted == 0 {
			c.Bytes = left
		}
		out.BytesChanged += c.Bytes
		out.Regions = append(out.Regions, c)
	}
	return &out
}

// prove evaluates every rule on the resealed image and checks that nothing but
// the fields differs from the input.
func (s *Resealing) prove(input *image.Image, fields []image.Range) error {
	s.Rules = s.Resealed.Check()
	for _, r := range s.Rules {
		if r.Verdict == evidence.Fail {
			return fmt.Errorf("reseal: checksum %q does not agree afterwards: %s", r.Rule, r.Reason)
		}
	}
	diff, err := Compare(input, s.Resealed.Image, nil, Options{MaxChanges: -1})
	if err != nil {
		return err
	}
	var changed []image.Range
	for _, c := range diff.Changes {
		changed = append(changed, c.Range)
	}
	if other := image.SubtractRanges(changed, fields); len(other) > 0 || len(diff.Appeared)+len(diff.Vanished) > 0 {
		return fmt.Errorf("reseal: the result differs from the input at %s, which holds no stored value", evidence.Ranges(other))
	}
	return nil
}
