package diffmap

import (
	"fmt"
	"io"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

// Verification is whether one image is complete, its checksums agree and
// nothing in it speaks of a bad read.
type Verification struct {
	Verdict   evidence.Verdict     `json:"verdict"`
	Coverage  []evidence.Finding   `json:"coverage"`  // what the map expects and the image does not hold, and the other way round
	Checksums []maps.RuleResult    `json:"checksums"` // every rule, in map order
	Read      *readcheck.Report    `json:"read"`      // the examination of the read
	Identity  []maps.IdentityValue `json:"identity,omitempty"`
	HasMap    bool                 `json:"-"` // whether a map was given
}

// Verify checks im, whose addresses are the map's ([maps.Open] and
// [maps.Map.Arrange] make such an image). m may be nil: then only the read is
// examined, and the verdict is at best unproven.
func Verify(m *maps.Map, im *image.Image) (*Verification, error) {
	if im == nil {
		return nil, fmt.Errorf("verify: the image is missing")
	}
	if m == nil {
		v := &Verification{Coverage: []evidence.Finding{}, Checksums: []maps.RuleResult{}}
		read, err := readcheck.Examine(nil, im)
		if err != nil {
			return nil, err
		}
		v.Read, v.Verdict = read, evidence.Combine(read.Verdict, evidence.Unproven)
		return v, nil
	}
	b, err := maps.Bind(m, im)
	if err != nil {
		return nil, err
	}
	return verifyBound(b, b.Check())
}

// VerifyFile is [Verify] for an image that was opened with its map, and writes
// the file to w, byte for byte: w may be a hash. The bytes are read once for
// the checksum rules and for w where [maps.Bound.CheckFile] can do so.
func VerifyFile(b *maps.Bound, w io.Writer) (*Verification, error) {
	results, err := b.CheckFile(w)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	return verifyBound(b, results)
}

func verifyBound(b *maps.Bound, results []maps.RuleResult) (*Verification, error) {
	v := &Verification{Coverage: append([]evidence.Finding{}, b.Coverage()...), Checksums: append([]maps.RuleResult{}, results...), HasMap: true}
	read, err := readcheck.ExamineChecked(b, v.Checksums)
	if err != nil {
		return nil, err
	}
	v.Read = read
	v.Identity = b.Identity()
	verdicts := []evidence.Verdict{read.Verdict, evidence.Judge(v.Coverage)}
	if len(v.Checksums) == 0 {
		verdicts = append(verdicts, evidence.Unproven)
	}
	for _, r := range v.Checksums {
		verdicts = append(verdicts, r.Verdict)
	}
	v.Verdict = evidence.Combine(verdicts...)
	return v, nil
}

// Findings returns every finding once: those of the read first, then those of
// coverage and checksums that it does not hold already.
func (v *Verification) Findings() []evidence.Finding {
	out := []evidence.Finding{}
	seen := map[string]bool{}
	add := func(f evidence.Finding) {
		key := fmt.Sprint(f.Code, "\x00", f.Ranges, "\x00", f.Message) // the read names the region too
		if !seen[key] {
			seen[key] = true
			out = append(out, f)
		}
	}
	for _, f := range v.Read.Findings {
		add(f)
	}
	for _, f := range v.Coverage {
		add(f)
	}
	switch {
	case !v.HasMap:
		add(evidence.Finding{Code: CodeNoMap, Severity: evidence.Caution,
			Message: "no region map was given, so nothing says what the image must hold and which checksums cover it"})
	case len(v.Checksums) == 0:
		add(evidence.Finding{Code: CodeNoChecksumRules, Severity: evidence.Caution,
			Message: "the map has no checksum rule, so no checksum was proved; add the rules of this controller to the map"})
	}
	for _, r := range v.Checksums {
		if r.Verdict != evidence.Pass {
			add(r.Finding())
		}
	}
	return out
}
