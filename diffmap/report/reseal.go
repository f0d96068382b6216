package report

import (
	"errors"
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/image/evidence"
)

// ResealData is which stored checksum values were put right, or why none was.
type ResealData struct {
	Image    string      `json:"image"`         // file names
	Output   string      `json:"out,omitempty"` // "" if nothing was written
	Original string      `json:"original,omitempty"`
	Map      *MapSummary `json:"map"`
	*diffmap.Resealing
	Refused []evidence.Finding `json:"refused"` // why nothing was written, never nil
}

// With returns d for a reseal that was written to out.
func (d ResealData) With(result *diffmap.Resealing, out string) ResealData {
	d.Resealing, d.Output, d.Refused = result, out, []evidence.Finding{}
	return d
}

// Refusal makes the document of a reseal that was refused. It reports false for
// any other error.
func Refusal(d ResealData, err error) (ResealData, bool) {
	var refused *diffmap.RefusedError
	if !errors.As(err, &refused) {
		return d, false
	}
	d.Refused = refused.Findings
	return d, true
}

// Command returns "reseal".
func (ResealData) Command() string { return "reseal" }

func (d ResealData) outcome() (evidence.Verdict, []evidence.Finding) {
	if len(d.Refused) > 0 {
		return evidence.Fail, d.Refused
	}
	verdicts := []evidence.Verdict{evidence.Judge(d.Findings)}
	for _, r := range d.Rules {
		verdicts = append(verdicts, r.Verdict)
	}
	return evidence.Combine(verdicts...), d.Findings
}

func (d ResealData) text(p *printer, findings []evidence.Finding) {
	verdict, _ := d.outcome()
	p.verdict(verdict, "%s: %s", d.Image, d.reason())
	p.line(0, "")
	original := d.Original
	if original == "" {
		original = "none: nobody looked at what else differs"
	}
	p.pairs([][2]string{{"original", original}, {"map", d.Map.line()}, {"written", d.Output}})
	if d.Resealing != nil {
		if len(d.Fields) > 0 {
			p.heading("Stored values")
			var rows [][]string
			for _, f := range d.Fields {
				rows = append(rows, []string{f.Range.String(), spaced(f.Before), "->", spaced(f.After), f.Rule})
			}
			p.columns(2, "lllll", rows)
		}
		p.checksums(d.Rules)
	}
	p.findings("Findings", findings, true)
	if d.Resealing != nil && len(d.Cautioned) > 0 {
		p.heading("Know before you write")
		for _, c := range d.Cautioned {
			p.wrap(2, 4, "- %s%s", c.Message, aboutRegions(c.Regions))
		}
	}
}

func (d ResealData) reason() string {
	switch {
	case len(d.Refused) > 0:
		return "not resealed, nothing was written; " + evidence.Count(uint64(len(d.Refused)), "reason") + " against it"
	case len(d.Fields) == 0:
		return "every checksum rule agrees already; nothing had to change"
	}
	agree := 0
	for _, r := range d.Rules {
		if r.Verdict == evidence.Pass {
			agree++
		}
	}
	return evidence.Sprintf("%s put right; %d of %s agree now, and nothing else differs from the input",
		evidence.Count(uint64(len(d.Fields)), "stored value"), agree, evidence.Count(uint64(len(d.Rules)), "rule"))
}

// spaced writes hexadecimal digits in pairs: "12 AB".
func spaced(digits string) string {
	var b strings.Builder
	for i := range len(digits) {
		if i > 0 && i%2 == 0 {
			b.WriteByte(' ')
		}
		b.WriteByte(digits[i])
	}
	return b.String()
}
