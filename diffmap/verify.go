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
	b, err := maps.Bind(m, im)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	v, _, err := VerifyFile(b, nil, nil)
	return v, err
}

// VerifyFile is [Verify] for an image that was opened with its map, if it has
// one. If there is a second read, nil for none, the two are compared; and the
// file of b is written to w, nil for nowhere, byte for byte: w may be a hash.
//
// It reads each image once. What [maps.ReadOnce], [readcheck.Examination] and
// [readcheck.Agree] name is read again.
func VerifyFile(b, second *maps.Bound, w io.Writer) (*Verification, *readcheck.Agreement, error) {
	p, err := newProof(b, second)
	if err != nil {
		return nil, nil, err
	}
	p.first.File = w
	passes := []*maps.Pass{p.first}
	if p.second != nil {
		passes = append(passes, p.second)
	}
	err = maps.ReadOnce(func(addr uint64, blocks [][]byte) error {
		p.take(addr, blocks)
		return nil
	}, passes...)
	if err != nil {
		return nil, nil, fmt.Errorf("verify: %w", err)
	}
	read, agreed, err := p.judge(p.first.Results)
	if err != nil {
		return nil, nil, err
	}
	v := &Verification{Coverage: append([]evidence.Finding{}, b.Coverage()...), Checksums: append([]maps.RuleResult{}, p.first.Results...),
		HasMap: b.Map != nil, Read: read, Identity: b.Identity()}
	verdicts := []evidence.Verdict{read.Verdict, evidence.Judge(v.Coverage)}
	if len(v.Checksums) == 0 {
		verdicts = append(verdicts, evidence.Unproven)
	}
	for _, r := range v.Checksums {
		verdicts = append(verdicts, r.Verdict)
	}
	v.Verdict = evidence.Combine(verdicts...)
	return v, agreed, nil
}

// proof is what proves one read, in the making: its examination, and the
// agreement with a second read if there is one.
type proof struct {
	first, second *maps.Pass // second is nil for none, or if it is the first itself
	examined      *readcheck.Examination
	compared      *readcheck.Comparison // nil for no second read
}

func newProof(b, second *maps.Bound) (*proof, error) {
	p := &proof{first: &maps.Pass{Bound: b, Rules: true}}
	var err error
	if p.examined, err = readcheck.NewExamination(b.Image); err != nil {
		return nil, err
	}
	if second != nil && second.Image != b.Image {
		p.second = &maps.Pass{Bound: second, Name: "second read"}
		p.compared, err = readcheck.NewComparison(b.Map, b.Image, second.Image)
	}
	return p, err
}

// take takes the bytes of the read from addr on, and those of the second read
// if there is one.
func (p *proof) take(addr uint64, blocks [][]byte) {
	p.examined.Take(blocks[0])
	if p.compared != nil {
		p.compared.Take(addr, blocks)
	}
}

// judge judges the reads once all bytes were taken. results are those of the
// checksum rules; the agreement is nil if no second read was compared.
func (p *proof) judge(results []maps.RuleResult) (*readcheck.Report, *readcheck.Agreement, error) {
	read, err := p.examined.Report(p.first.Bound, results)
	if err != nil || p.compared == nil {
		return read, nil, err
	}
	return read, p.compared.Agreement(read), nil
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
			Message: "no region map was given, so nothing says what the image must hold and which checksums cover it; give the map of this controller, or start one"})
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
