package report

import (
	"fmt"
	"slices"
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/edits"
	"example.com/calproof/image/evidence"
)

// Acceptance is a region accepted by name, with its reason.
type Acceptance struct {
	Region string `json:"region"`
	Reason string `json:"reason"`
}

// GateData is what the gate demands and found.
type GateData struct {
	Original   string       `json:"original"` // file names
	Modified   string       `json:"modified"`
	SecondRead string       `json:"second_read,omitempty"`
	Map        *MapSummary  `json:"map"`
	Bench      BenchData    `json:"bench"`
	Accepted   []Acceptance `json:"accepted"`        // by region name
	Saved      string       `json:"saved,omitempty"` // archive entry that keeps this verdict
	*diffmap.GateResult
	Edits *edits.Explanation `json:"edits,omitempty"` // which recorded edits account for the change, if asked for
}

// BenchData are the bench figures as they were stated.
type BenchData struct {
	SupplyVolts      *float64 `json:"supply_volts,omitempty"`
	AdapterLatencyMS *float64 `json:"adapter_latency_ms,omitempty"`
	ReadMinutes      *float64 `json:"read_minutes,omitempty"`
}

// Gate fills in what went into the gate and what came out. The file names are
// the caller's; secondRead is "" where there is none.
func Gate(original, modified, secondRead string, in diffmap.GateInput, res *diffmap.GateResult) GateData {
	d := GateData{Original: original, Modified: modified, SecondRead: secondRead, Map: SummaryOf(in.Map()),
		Bench:    BenchData{SupplyVolts: in.Bench.SupplyVolts, AdapterLatencyMS: in.Bench.AdapterLatencyMS},
		Accepted: []Acceptance{}, GateResult: res}
	if t := in.Bench.ReadTook; t != nil {
		minutes := t.Minutes()
		d.Bench.ReadMinutes = &minutes
	}
	for region, reason := range in.Accepted {
		d.Accepted = append(d.Accepted, Acceptance{region, reason})
	}
	slices.SortFunc(d.Accepted, func(a, b Acceptance) int { return strings.Compare(a.Region, b.Region) })
	return d
}

// Command returns "gate".
func (GateData) Command() string { return "gate" }

func (d GateData) outcome() (evidence.Verdict, []evidence.Finding) {
	return d.GateResult.Verdict, d.Findings()
}

func (d GateData) text(p *printer, _ []evidence.Finding) {
	p.verdict(d.GateResult.Verdict, "%s", d.reason())
	p.facts([][2]string{{"original", d.Original}, {"second read", d.SecondRead}, {"modified", d.Modified}, {"map", d.Map.line()},
		{"changed", d.changed()}, {"kept as", d.Saved}})
	p.explanation(d.Edits)
	p.heading("Conditions")
	for i, c := range d.Conditions {
		if i > 0 {
			p.line(0, "")
		}
		p.labelled(2, 12, string(c.Verdict), "%s", c.Title)
		for _, e := range c.Evidence {
			p.wrap(12, 14, "- %s", e)
		}
	}
	p.heading("Know before you write")
	for _, c := range d.Cautions {
		p.wrap(2, 4, "- %s%s", c.Message, aboutRegions(c.Regions))
	}
}

// reason names the conditions that led to the verdict.
func (d GateData) reason() string {
	var failed, unproven []string
	for _, c := range d.Conditions {
		switch c.Verdict {
		case evidence.Pass:
		case evidence.Fail:
			failed = append(failed, c.Code)
		default:
			unproven = append(unproven, c.Code)
		}
	}
	total := evidence.Count(uint64(len(d.Conditions)), "condition")
	switch {
	case failed != nil:
		return evidence.Sprintf("%s must not be written; %d of %s failed: %s", d.Modified, len(failed), total, strings.Join(failed, ", "))
	case unproven != nil:
		return evidence.Sprintf("%s must not be written yet; %d of %s unproven: %s", d.Modified, len(unproven), total, strings.Join(unproven, ", "))
	}
	return fmt.Sprintf("%s may be written; all %s hold", d.Modified, total)
}

func (d GateData) changed() string {
	if d.Diff.Equal {
		return "nothing: original and modified are equal"
	}
	var names []string
	for _, r := range d.Diff.ChangedIn() {
		names = append(names, r.Name)
	}
	s := changeSummary(d.Diff)
	if names != nil {
		s += ": " + strings.Join(names, ", ")
	}
	return s
}

func aboutRegions(names []string) string {
	if len(names) == 0 {
		return ""
	}
	noun := "Region"
	if len(names) > 1 {
		noun = "Regions"
	}
	quoted := make([]string, len(names))
	for i, n := range names {
		quoted[i] = fmt.Sprintf("%q", n)
	}
	return fmt.Sprintf(" %s: %s.", noun, strings.Join(quoted, ", "))
}
