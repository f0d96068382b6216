package report

import (
	"strings"

	"example.com/calproof/image/evidence"
)

// MapDiffData is how what two region maps say differs.
type MapDiffData struct {
	Original string `json:"original"` // file names
	Modified string `json:"modified"`
	Equal    bool   `json:"equal"`
	Listing  string `json:"listing,omitempty"` // unified diff of what they say
}

// Command returns "map diff".
func (MapDiffData) Command() string { return "map diff" }

func (d MapDiffData) outcome() (evidence.Verdict, []evidence.Finding) {
	if d.Equal {
		return evidence.Pass, nil
	}
	return evidence.Fail, nil
}

func (d MapDiffData) text(p *printer, _ []evidence.Finding) {
	if d.Equal {
		p.wrap(0, 2, "equal: %s and %s say the same", d.Original, d.Modified)
		return
	}
	p.wrap(0, 2, "different: %s and %s do not say the same", d.Original, d.Modified)
	p.line(0, "")
	for l := range strings.SplitSeq(strings.TrimSuffix(d.Listing, "\n"), "\n") {
		p.line(0, "%s", l)
	}
}
