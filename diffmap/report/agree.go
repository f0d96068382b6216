package report

import (
	"fmt"

	"example.com/calproof/diffmap"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
)

// AgreeData is whether repeated reads of one controller agree.
type AgreeData struct {
	Reads []string    `json:"reads"` // file names, in the order given
	Map   *MapSummary `json:"map,omitempty"`
	*readcheck.Agreement
	Merged string `json:"merged,omitempty"` // file to which a majority image was written

	// Strip, if set, is a picture of the first read in characters, a line each.
	Strip []string `json:"-"`
}

// Command returns "agree".
func (AgreeData) Command() string { return "agree" }

func (d AgreeData) outcome() (evidence.Verdict, []evidence.Finding) {
	return d.Agreement.Verdict, d.Agreement.Findings
}

func (d AgreeData) text(p *printer, findings []evidence.Finding) {
	d.reads(p, findings)
	p.notJudged(d.NotJudged)
}

// headline says whether the reads agree, and then what that is worth.
func (d AgreeData) headline() string {
	whole := d.Agreement.Verdict
	switch {
	case d.Agree == evidence.Fail:
		return "do not agree"
	case d.Agree == evidence.Pass && whole == evidence.Pass:
		return "agree"
	case d.Agree == evidence.Pass && whole == evidence.Fail:
		return "agree, but what they hold is not a good read"
	case d.Agree == evidence.Pass:
		return "agree, but what they hold is not proved"
	case whole == evidence.Fail:
		return "may agree, but the first is not a good read"
	}
	return "may agree, but it is not proved"
}

// reads tells of the reads against one another, and lists findings.
func (d AgreeData) reads(p *printer, findings []evidence.Finding) {
	p.verdict(d.Agreement.Verdict, "%s %s", evidence.Count(uint64(len(d.Reads)), "read"), d.headline())
	p.line(0, "")
	var list [][2]string
	for i, name := range d.Reads {
		list = append(list, [2]string{fmt.Sprintf("read %d", i+1), name})
	}
	p.pairs(append(list, [][2]string{
		{"compared", bytesOf(d.Compared)}, {"differ", d.differ()}, {"no majority", evidence.RangeList(d.NoMajority)},
		{"map", d.Map.line()}, {"merged", d.Merged}}...))
	p.strip(d.Strip)
	if d.Map != nil {
		p.whereDiffers(d.Where)
	}
	if d.Differ > 0 {
		p.heading("Against read 1")
		for _, pair := range d.Pairs {
			p.labelled(2, 10, fmt.Sprintf("read %d", pair.Read), "%s", pairText(pair))
		}
	}
	p.findings("Findings", findings, true)
}

// whereDiffers lists the regions in which images differ.
func (p *printer) whereDiffers(where []readcheck.RegionDiff) {
	if len(where) == 0 {
		return
	}
	p.heading("Where they differ")
	var rows [][]string
	for _, w := range where {
		name, role := w.Name, string(w.Role)
		if name == "" {
			name = diffmap.OutsideName
		}
		rows = append(rows, []string{name, role, evidence.Count(w.Bytes, "byte")})
	}
	p.columns(2, "llr", rows)
}

func (d AgreeData) differ() string {
	if d.Differ == 0 {
		return "0 bytes"
	}
	s := evidence.Count(d.Differ, "byte") + ": " + evidence.Ranges(d.Ranges)
	if d.Truncated {
		s += ", and others that are not counted"
	}
	return s
}

func pairText(pair readcheck.PairDiff) string {
	differ := "differ"
	if pair.Bytes == 1 {
		differ = "differs"
	}
	s := fmt.Sprintf("%s %s; %s went from 1 to 0, %s from 0 to 1",
		evidence.Count(pair.Bytes, "byte"), differ, evidence.Count(pair.OneToZero, "bit"), evidence.Thousands(pair.ZeroToOne))
	if pair.Block > 0 {
		s += evidence.Sprintf("; they keep to transfer blocks of %d bytes", pair.Block)
	}
	if pair.Cause != "" {
		s += "; " + pair.Cause
	}
	return s
}
