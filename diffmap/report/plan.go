package report

import (
	"fmt"
	"slices"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
)

// PlanData is how long a full read should take, and what to see to on the
// bench.
type PlanData struct {
	Map *MapSummary `json:"map"`
	*readcheck.Plan
}

// Command returns "plan".
func (PlanData) Command() string { return "plan" }

func (d PlanData) outcome() (evidence.Verdict, []evidence.Finding) {
	return d.Plan.Verdict, d.Plan.Findings
}

func (d PlanData) text(p *printer, findings []evidence.Finding) {
	p.verdict(d.Plan.Verdict, "%s; a full read of %s takes at least %s on the line", d.judged(), bytesOf(d.Bytes), readcheck.Time{Seconds: d.LineSeconds})
	p.line(0, "")
	p.pairs([][2]string{
		{"map", d.Map.line()},
		{"line", fmt.Sprintf("%s bits/s, %d bits a byte (%s)", decimal(d.BitsPerSecond), d.BitsPerByte, d.Framing())},
		{"transfer", fmt.Sprintf("%s of %s", evidence.Count(d.Exchanges, "exchange"), bytesOf(uint64(d.Block)))},
		{"requests", fmt.Sprintf("%s more for requests and what frames the answers", readcheck.Time{Seconds: d.OverSeconds})},
	})
	p.heading("A full read takes, by adapter latency")
	var rows [][]string
	for _, t := range d.Times {
		stated := ""
		if t.Stated {
			stated = "as stated"
		}
		rows = append(rows, []string{decimal(t.LatencyMS) + " ms", t.String(), stated})
	}
	p.columns(2, "rrl", rows)
	if m := d.ReadMinutes; m[1] > 0 {
		p.wrap(2, 4, "The map says %s to %s minutes: controllers take pauses of their own.", decimal(m[0]), decimal(m[1]))
	}
	p.heading("Before you read")
	for _, c := range d.Checks {
		mark := string(c.Verdict)
		if c.Verdict == evidence.Unproven {
			mark = "see to"
		}
		p.labelled(2, 10, mark, "%s: %s", c.Title, c.Detail)
	}
	p.line(0, "")
	p.wrap(0, 0, "12.5 V, 1 ms and 60 to 75 minutes for a large controller are common practice, no source; the map's own figures win.")
	p.findings("Findings", findings, true)
}

// judged says what the verdict rests on: the figures that were given.
func (d PlanData) judged() string {
	given, bad := false, uint64(0)
	for _, c := range d.Checks {
		switch c.Verdict {
		case evidence.Pass:
			given = true
		case evidence.Fail:
			bad++
		}
	}
	switch {
	case bad > 0:
		return fmt.Sprintf("%s out of limits", evidence.Count(bad, "figure"))
	case slices.ContainsFunc(d.Plan.Findings, func(f evidence.Finding) bool { return f.Code == readcheck.CodeReadSlow }):
		return "the read was slower than the map says"
	case d.Plan.Verdict == evidence.Unproven:
		return "the read was quicker than the map says"
	case !given:
		return "no figure was given to judge"
	default:
		return "no figure given speaks against it"
	}
}

// decimal writes a figure without a needless point.
func decimal(v float64) string { return evidence.Sprintf("%g", v) }

// ReadbackData is whether a controller holds what was written to it.
type ReadbackData struct {
	Written string      `json:"written"` // file names
	Read    string      `json:"read"`
	Map     *MapSummary `json:"map,omitempty"`
	*readcheck.Readback

	// Strip, if set, is a picture of the image in characters, a line each.
	Strip []string `json:"-"`
}

// Command returns "readback".
func (ReadbackData) Command() string { return "readback" }

func (d ReadbackData) outcome() (evidence.Verdict, []evidence.Finding) {
	return d.Readback.Verdict, d.Readback.Findings
}

func (d ReadbackData) text(p *printer, findings []evidence.Finding) {
	words := map[evidence.Verdict]string{evidence.Pass: "holds what was written", evidence.Fail: "does not hold what was written", evidence.Unproven: "may not hold what was written"}
	what := words[d.Readback.Verdict]
	if d.Readback.Verdict == evidence.Unproven && !slices.ContainsFunc(d.Readback.Findings, func(f evidence.Finding) bool { return f.Code == readcheck.CodeReadbackDiffers }) {
		what = "holds what was written, but not all of its memory was compared"
	}
	p.verdict(d.Readback.Verdict, "the controller %s", what)
	p.line(0, "")
	same := AgreeData{Agreement: &readcheck.Agreement{Differ: d.Differ, Ranges: d.Ranges, Truncated: d.Truncated}}
	p.pairs([][2]string{{"written", d.Written}, {"read", d.Read}, {"map", d.Map.line()},
		{"compared", bytesOf(d.Compared)}, {"differ", same.differ()}})
	p.strip(d.Strip)
	if d.Differ > 0 {
		p.whereDiffers(d.Where)
		p.heading("Against what was written")
		p.wrap(2, 4, "%s", pairText(d.Pair))
	}
	p.findings("Findings", findings, true)
}

// strip writes the picture of an image, an empty line before it.
func (p *printer) strip(lines []string) {
	for i, l := range lines {
		if i == 0 {
			p.line(0, "")
		}
		p.line(2, "%s", l)
	}
}
