package report

import (
	"fmt"
	"slices"

	"example.com/calproof/image/archive"
	"example.com/calproof/image/evidence"
)

// ArchiveVerifyData is whether what an archive holds is what was kept.
type ArchiveVerifyData struct {
	Archive string `json:"archive"`
	Vehicle string `json:"vehicle,omitempty"` // folder, if one was named
	SHA512  bool   `json:"sha512"`            // whether SHA-512 of the payload was computed besides
	// HashesOnly says that kept verdicts were left as they are.
	HashesOnly bool                         `json:"hashes_only"`
	Detail     *archive.VehicleVerification `json:"detail,omitempty"` // of the one vehicle
	*archive.Verification
}

// Command returns "archive verify".
func (ArchiveVerifyData) Command() string { return "archive verify" }

// CodeVerdictsLeftOut says that kept verdicts were not computed again, because
// the user wanted the hashes only.
const CodeVerdictsLeftOut = "verdicts-left-out"

func (d ArchiveVerifyData) outcome() (evidence.Verdict, []evidence.Finding) {
	findings := d.Verification.Findings
	if d.HashesOnly && d.Verdicts > 0 {
		findings = append(slices.Clip(findings), evidence.Finding{Code: CodeVerdictsLeftOut, Severity: evidence.Note,
			Message: fmt.Sprintf("%s compared by hash only, not computed again (--hashes-only)", evidence.Count(uint64(d.Verdicts), "kept verdict"))})
	}
	return d.Verification.Verdict, findings
}

func (d ArchiveVerifyData) text(p *printer, findings []evidence.Finding) {
	faults, cautions := tally(findings)
	what := "every byte is as it was kept"
	if faults+cautions > 0 {
		what = tallyText(faults, cautions)
	}
	p.verdict(d.Verification.Verdict, "%s: %s", d.place(), what)
	p.line(0, "")
	head, verdicts := "", ""
	if d.Detail != nil {
		head = d.Detail.Head
	}
	if d.Verdicts > 0 {
		verdicts = fmt.Sprintf("%s, of which %s computed again", evidence.Thousands(uint64(d.Verdicts)), evidence.Thousands(uint64(d.Recomputed)))
	}
	p.pairs([][2]string{{"vehicles", evidence.Thousands(uint64(d.Vehicles))}, {"entries", evidence.Thousands(uint64(d.Verification.Entries))}, {"files", evidence.Thousands(uint64(d.Files))},
		{"hashed", bytesOf(uint64(d.Bytes))}, {"kept verdicts", verdicts}, {"newest hash", head}})
	if d.Detail != nil {
		p.heading("Entries")
		var rows [][]string
		for _, e := range d.Detail.Entries {
			rows = append(rows, []string{string(e.Verdict), e.Entry})
		}
		p.columns(2, "vl", rows)
	}
	p.findings("Findings", findings, true)
	if slices.ContainsFunc(findings, func(f evidence.Finding) bool { return f.Severity == evidence.Fault && f.Code != "verdict-differs" }) {
		p.heading("What to do")
		p.wrap(2, 4, "- Do not rely on what is named above. A changed image is not restored, and a damaged vehicle is not exported.")
		p.wrap(2, 4, "- Where a file changed or is gone, put the entry's folder from another copy of this archive in its place and verify again. Entries never change, so every copy is equal.")
		p.wrap(2, 4, "- Check the disk: one that lost a byte may lose more.")
	}
}

func (d ArchiveVerifyData) place() string {
	if d.Vehicle != "" {
		return d.Vehicle
	}
	return d.Archive
}
