package report

import (
	"fmt"

	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// MapProblem is a maps.Problem in JSON.
type MapProblem struct {
	File    string `json:"file"`
	Line    int    `json:"line"`   // 1-based
	Column  int    `json:"column"` // 1-based
	Key     string `json:"key,omitempty"`
	Message string `json:"message"`
}

// MapCheckData is whether a region map is valid and, with an image, whether it
// fits that image.
type MapCheckData struct {
	File       string             `json:"file"`
	Title      string             `json:"title,omitempty"`
	Problems   []MapProblem       `json:"problems"` // mistakes in the map
	Regions    int                `json:"regions"`
	Checksums  int                `json:"checksums"`
	Tables     int                `json:"tables"`
	Identities int                `json:"identities"`
	Image      string             `json:"image,omitempty"` // file the map was tried on
	Fit        []evidence.Finding `json:"-"`               // become the document's findings
}

// MapCheck fills in the outcome of loading a map: m, or the mistakes in it.
func MapCheck(file string, m *maps.Map, mistakes *maps.MapError) MapCheckData {
	d := MapCheckData{File: file, Problems: []MapProblem{}}
	if m != nil {
		d.Title = m.Title
		d.Regions, d.Checksums, d.Tables, d.Identities = len(m.Regions), len(m.Checksums), len(m.Tables), len(m.Identities)
	}
	if mistakes != nil {
		for _, p := range mistakes.Problems {
			d.Problems = append(d.Problems, MapProblem{p.File, p.Line, p.Column, p.Key, p.Message})
		}
	}
	return d
}

// WithImage adds how the map fits an image: its coverage, and the tables and
// identity fields that do not decode. Checksums are the matter of verify.
func (d MapCheckData) WithImage(file string, b *maps.Bound) MapCheckData {
	d.Image = file
	d.Fit = append([]evidence.Finding{}, b.Coverage()...)
	for _, t := range b.Tables() {
		if t.Problem != "" {
			d.Fit = append(d.Fit, evidence.Finding{Code: CodeTableUndecoded, Severity: evidence.Fault, Region: t.Region,
				Message: fmt.Sprintf("table %q could not be decoded: %s", t.Name, t.Problem)})
		}
	}
	for _, v := range b.Identity() {
		if v.Problem != "" {
			d.Fit = append(d.Fit, evidence.Finding{Code: CodeIdentityUndecoded, Severity: evidence.Fault,
				Message: fmt.Sprintf("identity field %q does not parse: %s", v.Name, v.Problem)})
		}
	}
	return d
}

// Codes of findings that map check adds.
const (
	CodeMapProblem        = "map-problem"
	CodeTableUndecoded    = "table-undecoded"
	CodeIdentityUndecoded = "identity-undecoded"
)

// Command returns "map check".
func (MapCheckData) Command() string { return "map check" }

func (d MapCheckData) outcome() (evidence.Verdict, []evidence.Finding) {
	var findings []evidence.Finding
	for _, p := range d.Problems {
		findings = append(findings, evidence.Finding{Code: CodeMapProblem, Severity: evidence.Fault, Message: p.String()})
	}
	findings = append(findings, d.Fit...)
	return evidence.Judge(findings), findings
}

// String gives the problem as a line that editors can jump to.
func (p MapProblem) String() string {
	s := fmt.Sprintf("%s:%d:%d: ", p.File, p.Line, p.Column)
	if p.Key != "" {
		s += p.Key + ": "
	}
	return s + p.Message
}

func (d MapCheckData) text(p *printer, _ []evidence.Finding) {
	if len(d.Problems) > 0 {
		p.verdict(evidence.Fail, "%s has %s", d.File, evidence.Count(uint64(len(d.Problems)), "mistake"))
		p.line(0, "")
		for _, problem := range d.Problems {
			p.line(0, "%s", problem) // not wrapped: editors read these lines
		}
		return
	}
	verdict := evidence.Judge(d.Fit)
	switch {
	case d.Image == "":
		p.verdict(verdict, "%s is a valid region map", d.File)
	case verdict == evidence.Pass:
		p.verdict(verdict, "%s is a valid region map and fits %s", d.File, d.Image)
	default:
		p.verdict(verdict, "%s is a valid region map, but %s when tried on %s", d.File, tallyText(tally(d.Fit)), d.Image)
	}
	p.facts([][2]string{{"title", d.Title}, {"names", fmt.Sprintf("%s, %s, %s, %s",
		evidence.Count(uint64(d.Regions), "region"), evidence.Count(uint64(d.Checksums), "checksum rule"),
		evidence.Count(uint64(d.Tables), "table"), evidence.Count(uint64(d.Identities), "identity field"))}})
	p.findings("Findings", d.Fit, true)
}
