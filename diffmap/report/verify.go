package report

import (
	"fmt"
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

// VerifyData is whether an image is complete and its checksums agree.
type VerifyData struct {
	File string      `json:"file"`
	Map  *MapSummary `json:"map,omitempty"`
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
	p.facts([][2]string{{"map", d.Map.line()}})
	for i, l := range d.Strip {
		if i == 0 {
			p.line(0, "")
		}
		p.line(2, "%s", l)
	}
	p.checksums(d.Checksums)
	p.identity(d.Identity)
	p.findings("Findings", findings, true)
	if d.Read != nil && len(d.Read.NotJudged) > 0 {
		p.heading("Not judged")
		for _, reason := range d.Read.NotJudged {
			p.wrap(2, 4, "%s", reason)
		}
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
		return fmt.Sprintf("all %d checksum rules agree", pass)
	}
	return fmt.Sprintf("%d of %s agree", pass, count(uint64(len(list)), "checksum rule"))
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
		return count(faults, "fault")
	case faults == 0:
		return count(cautions, "caution")
	}
	return count(faults, "fault") + " and " + count(cautions, "caution")
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
}

// AgreeData is whether repeated reads of one controller agree.
type AgreeData struct {
	Reads []string    `json:"reads"` // file names, in the order given
	Map   *MapSummary `json:"map,omitempty"`
	*readcheck.Agreement
	Merged string `json:"merged,omitempty"` // file to which a majority image was written
}

// Command returns "agree".
func (AgreeData) Command() string { return "agree" }

func (d AgreeData) outcome() (evidence.Verdict, []evidence.Finding) {
	return d.Agreement.Verdict, d.Agreement.Findings
}

func (d AgreeData) text(p *printer, findings []evidence.Finding) {
	words := map[evidence.Verdict]string{evidence.Pass: "agree", evidence.Fail: "do not agree", evidence.Unproven: "may agree, but it is not proved"}
	p.verdict(d.Agreement.Verdict, "%s %s", count(uint64(len(d.Reads)), "read"), words[d.Agreement.Verdict])
	p.line(0, "")
	var list [][2]string
	for i, name := range d.Reads {
		list = append(list, [2]string{fmt.Sprintf("read %d", i+1), name})
	}
	p.pairs(append(list, [][2]string{
		{"compared", bytesOf(d.Compared)}, {"differ", d.differ()}, {"no majority", rangeList(d.NoMajority, 4)},
		{"map", d.Map.line()}, {"merged", d.Merged}}...))
	if len(d.Where) > 0 {
		p.heading("Where they differ")
		var rows [][]string
		for _, w := range d.Where {
			name, role := w.Name, string(w.Role)
			if name == "" {
				name = diffmap.OutsideName
			}
			rows = append(rows, []string{name, role, count(w.Bytes, "byte")})
		}
		p.columns(2, "llr", rows)
	}
	if d.Differ > 0 {
		p.heading("Against read 1")
		for _, pair := range d.Pairs {
			p.labelled(2, 10, fmt.Sprintf("read %d", pair.Read), "%s", pairText(pair))
		}
	}
	p.findings("Findings", findings, true)
}

func (d AgreeData) differ() string {
	if d.Differ == 0 {
		return "0 bytes"
	}
	s := count(d.Differ, "byte") + ": " + rangeList(d.Ranges, 4)
	if d.Truncated {
		s += " and further ones"
	}
	return s
}

func pairText(pair readcheck.PairDiff) string {
	s := fmt.Sprintf("%s differ; %s went from 1 to 0, %s from 0 to 1",
		count(pair.Bytes, "byte"), count(pair.OneToZero, "bit"), thousands(pair.ZeroToOne))
	if pair.Block > 0 {
		s += fmt.Sprintf("; they keep to transfer blocks of %d bytes", pair.Block)
	}
	if pair.Cause != "" {
		s += "; " + pair.Cause
	}
	return s
}

// ConvertData is what convert wrote.
type ConvertData struct {
	Input        string        `json:"input"`
	InputFormat  image.Format  `json:"input_format"`
	Output       string        `json:"output"`
	OutputFormat image.Format  `json:"output_format"`
	Parts        []string      `json:"parts,omitempty"`  // files written, if the image was split
	Size         uint64        `json:"size"`             // bytes written, in all parts
	Segments     []image.Range `json:"segments"`         // of each part; an image is split into equal ones
	Filled       uint64        `json:"filled,omitempty"` // bytes of gaps written with the fill byte
	StartAddress *uint64       `json:"start_address,omitempty"`
	Notes        []FileNote    `json:"notes,omitempty"`
}

// Convert fills in what the images know by themselves: in, the one that was
// opened, and those that were written.
func Convert(input string, in *image.Image, output string, format image.Format, written ...*image.Image) ConvertData {
	d := ConvertData{Input: input, InputFormat: in.Format(), Output: output, OutputFormat: format,
		Segments: []image.Range{}, Notes: fileNotes(in.Notes())}
	for i, im := range written {
		d.Size += im.Size()
		if at, ok := im.StartAddress(); ok {
			d.StartAddress = &at
		}
		if i == 0 {
			d.Segments = append(d.Segments, im.Segments()...)
		}
	}
	return d
}

// Command returns "convert".
func (ConvertData) Command() string { return "convert" }

func (d ConvertData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

func (d ConvertData) text(p *printer, _ []evidence.Finding) {
	output := d.Output
	if len(d.Parts) > 0 {
		output = strings.Join(d.Parts, ", ")
	}
	p.wrap(0, 2, "wrote %s: %s, %s in %s", output, formatName(d.OutputFormat), bytesOf(d.Size), count(uint64(len(d.Segments)), "segment"))
	start, filled := "", ""
	if d.StartAddress != nil {
		start = fmt.Sprintf("0x%X", *d.StartAddress)
	}
	if d.Filled > 0 {
		filled = count(d.Filled, "byte") + " of gaps"
	}
	p.facts([][2]string{{"from", fmt.Sprintf("%s, %s", d.Input, formatName(d.InputFormat))},
		{"addresses", rangeList(d.Segments, 4)}, {"filled", filled}, {"starts at", start}})
	p.notes(d.Notes)
}
