package report

import (
	"fmt"
	"slices"

	"example.com/calproof/diffmap"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// VerifyData is whether an image is complete and its checksums agree.
type VerifyData struct {
	File   string      `json:"file"`
	SHA256 string      `json:"sha256,omitempty"` // of the file as it was given, in hex
	Map    *MapSummary `json:"map,omitempty"`
	*diffmap.Verification

	// Strip, if set, is a picture of the image in characters, a line each.
	Strip []string `json:"-"`
}

// Command returns "verify".
func (VerifyData) Command() string { return "verify" }

func (d VerifyData) outcome() (evidence.Verdict, []evidence.Finding) {
	return d.Verdict, d.Findings()
}

func (d VerifyData) text(p *printer, findings []evidence.Finding) {
	p.verdict(d.Verdict, "%s: %s", d.File, d.reason(findings))
	p.facts([][2]string{{"SHA-256", d.SHA256}, {"map", d.Map.line()}})
	p.strip(d.Strip)
	p.checksums(d.Checksums)
	p.identity(d.Identity)
	p.findings("Findings", findings, true)
	if d.Read != nil {
		p.notJudged(d.Read.NotJudged)
	}
}

// notJudged lists what could not be judged of a read.
func (p *printer) notJudged(reasons []string) {
	if len(reasons) == 0 {
		return
	}
	p.heading("Not judged")
	for _, reason := range reasons {
		p.wrap(2, 4, "%s", reason)
	}
}

// reason says in a sentence what led to the verdict.
func (d VerifyData) reason(findings []evidence.Finding) string {
	faults, cautions := tally(findings)
	read := "nothing speaks of a bad read"
	if faults+cautions > 0 {
		read = tallyText(faults, cautions)
	} else if d.Read != nil && d.Read.Verdict != evidence.Pass {
		read = "the read could not be judged fully"
	}
	if !d.HasMap {
		return "no region map was given; " + read
	}
	return rulesAgree(d.Checksums) + "; " + read
}

func rulesAgree(list []maps.RuleResult) string {
	pass := 0
	for _, r := range list {
		if r.Verdict == evidence.Pass {
			pass++
		}
	}
	switch {
	case len(list) == 0:
		return "the map has no checksum rule"
	case pass == 1 && len(list) == 1:
		return "the one checksum rule agrees"
	case pass == len(list):
		return evidence.Sprintf("all %d checksum rules agree", pass)
	}
	return evidence.Sprintf("%d of %s agree", pass, evidence.Count(uint64(len(list)), "checksum rule"))
}

func tally(findings []evidence.Finding) (faults, cautions uint64) {
	for _, f := range findings {
		switch f.Severity {
		case evidence.Fault:
			faults++
		case evidence.Caution:
			cautions++
		}
	}
	return faults, cautions
}

func tallyText(faults, cautions uint64) string {
	switch {
	case cautions == 0:
		return evidence.Count(faults, "fault")
	case faults == 0:
		return evidence.Count(cautions, "caution")
	}
	return evidence.Count(faults, "fault") + " and " + evidence.Count(cautions, "caution")
}

func ruleName(r maps.RuleResult) string {
	if r.Repeat > 0 {
		return fmt.Sprintf("%s #%d", r.Rule, r.Repeat)
	}
	return r.Rule
}

func (p *printer) checksums(list []maps.RuleResult) {
	if len(list) == 0 {
		return
	}
	p.heading("Checksums")
	var rows [][]string
	for _, r := range list {
		value := r.Computed
		if value == "" {
			value = "-"
		}
		rows = append(rows, []string{string(r.Verdict), ruleName(r), value, r.Algorithm})
	}
	p.columns(2, "vlll", rows)
	if slices.ContainsFunc(list, func(r maps.RuleResult) bool { return r.Verdict == evidence.Fail }) {
		p.wrap(2, 2, "What fails: if this came out of a controller, read it again; if it was edited, calproof reseal computes the values anew.")
	}
}
