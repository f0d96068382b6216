package report

import (
	"fmt"
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/edits"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// shownChanges is how many changes the text form lists. JSON has all.
const shownChanges = 20

// DiffData is what changed between two files.
type DiffData struct {
	Original string      `json:"original"` // file names
	Modified string      `json:"modified"`
	Map      *MapSummary `json:"map,omitempty"`
	*diffmap.Result
	Listing string             `json:"listing,omitempty"` // unified diff of the decoded listings, if asked for
	Edits   *edits.Explanation `json:"edits,omitempty"`   // which recorded edits account for the difference, if asked for

	// Strip, if set, is a picture of the modified image in characters, a line each.
	Strip []string `json:"-"`
	// ASCII draws changed tables in ASCII characters.
	ASCII bool `json:"-"`
}

// Command returns "diff".
func (DiffData) Command() string { return "diff" }

func (d DiffData) outcome() (evidence.Verdict, []evidence.Finding) {
	if d.Equal {
		return evidence.Pass, d.Findings()
	}
	return evidence.Fail, d.Findings()
}

func (d DiffData) text(p *printer, findings []evidence.Finding) {
	if d.Equal {
		p.wrap(0, 2, "equal: %s and %s hold the same bytes at the same addresses", d.Original, d.Modified)
		return
	}
	p.wrap(0, 2, "different: %s", changeSummary(d.Result))
	p.facts([][2]string{{"original", d.Original}, {"modified", d.Modified}, {"map", d.Map.line()}})
	p.strip(d.Strip)
	p.explanation(d.Edits)
	p.ascii = d.ASCII
	p.diff(d.Result)
	p.findings("Look again", findings, false)
	if d.Listing != "" {
		p.heading("Listing")
		for l := range strings.SplitSeq(strings.TrimSuffix(d.Listing, "\n"), "\n") {
			p.line(0, "%s", l)
		}
	}
}

func changeSummary(r *diffmap.Result) string {
	parts := []string{fmt.Sprintf("%s changed in %s", evidence.Count(r.BytesChanged, "byte"), evidence.Count(r.ChangeCount, "place"))}
	if n := image.TotalSize(r.Vanished); n > 0 {
		parts = append(parts, evidence.Count(n, "byte")+" vanished")
	}
	if n := image.TotalSize(r.Appeared); n > 0 {
		parts = append(parts, evidence.Count(n, "byte")+" appeared")
	}
	return strings.Join(parts, ", ")
}

// diff writes a comparison: coverage, regions, changes, tables, identity,
// checksums.
func (p *printer) diff(r *diffmap.Result) {
	if len(r.Appeared)+len(r.Vanished) > 0 {
		p.heading("Coverage")
		p.pairs([][2]string{{"vanished", evidence.Ranges(r.Vanished)}, {"appeared", evidence.Ranges(r.Appeared)}})
	}
	p.regions(r.Regions)
	p.changes(r)
	p.tableChanges(r.Tables)
	p.identityChanges(r.Identity)
	p.ruleChanges(r.Checksums)
}

func (p *printer) regions(list []diffmap.RegionChange) {
	if len(list) == 0 {
		return
	}
	p.heading("Regions")
	var rows [][]string
	same := 0
	for _, c := range list {
		if !c.Touched() {
			same++
			continue
		}
		what := evidence.Count(c.Bytes, "byte") + " changed"
		if c.Size > 0 {
			what = fmt.Sprintf("%s of %s changed", evidence.Thousands(c.Bytes), evidence.Count(c.Size, "byte"))
		}
		if c.Vanished > 0 {
			what += ", " + evidence.Thousands(c.Vanished) + " vanished"
		}
		if c.Appeared > 0 {
			what += ", " + evidence.Thousands(c.Appeared) + " appeared"
		}
		edit := ""
		if !c.Outside {
			edit = fmt.Sprintf("%s, edit %s", c.Role, c.Edit)
		}
		rows = append(rows, []string{c.Name, edit, what})
	}
	p.columns(2, "lll", rows)
	p.rest(same, len(rows), "region", "unchanged")
}

func (p *printer) changes(r *diffmap.Result) {
	if len(r.Changes) == 0 {
		return
	}
	p.heading("Changes")
	var rows [][]string
	for _, c := range r.Changes[:min(shownChanges, len(r.Changes))] {
		size := evidence.Count(c.Bytes, "byte")
		if c.Bytes != c.Range.Size {
			size = fmt.Sprintf("%s of %s", evidence.Thousands(c.Bytes), evidence.Count(c.Range.Size, "byte"))
		}
		const shownHex = 4 // bytes; a table shows more of a longer change
		hex := ""
		if c.Before != "" && c.Range.Size <= shownHex {
			hex = c.Before + " -> " + c.After
		}
		rows = append(rows, []string{place(c.Range), size, hex, strings.Join(c.Regions, ", ")})
	}
	p.columns(2, "lrll", rows)
	if more := r.ChangeCount - uint64(len(rows)); more > 0 {
		p.line(2, "and %s", evidence.Count(more, "more change"))
	}
}

// place writes a range, and one byte as its address.
func place(r image.Range) string {
	if r.Size == 1 {
		return fmt.Sprintf("0x%X", r.Start)
	}
	return r.String()
}

func (p *printer) identityChanges(list []diffmap.IdentityChange) {
	if len(list) == 0 {
		return
	}
	p.heading("Identity")
	var rows [][]string
	for _, c := range list {
		if c.Changed {
			rows = append(rows, []string{c.After.Name, identityText(c.Before) + " -> " + identityText(c.After)})
		}
	}
	p.columns(2, "ll", rows)
	p.rest(len(list)-len(rows), len(rows), "field", "unchanged")
}

// rest says how many of a list were left out because nothing happened to them.
func (p *printer) rest(left, shown int, noun, what string) {
	if left == 0 {
		return
	}
	if shown > 0 {
		noun = "other " + noun
	}
	p.line(2, "%s %s", evidence.Count(uint64(left), noun), what)
}

func (p *printer) ruleChanges(list []diffmap.RuleChange) {
	if len(list) == 0 {
		return
	}
	p.heading("Checksums (before -> after)")
	var rows [][]string
	for _, c := range list {
		if c.Before.Verdict == evidence.Pass && c.After.Verdict == evidence.Pass && sumOf(c.Before) == sumOf(c.After) {
			continue
		}
		rows = append(rows, []string{ruleName(c.After), fmt.Sprintf("%s -> %s", c.Before.Verdict, c.After.Verdict), sumChange(c)})
	}
	p.columns(2, "lll", rows)
	p.rest(len(list)-len(rows), len(rows), "rule", "unchanged, pass before and after")
}

func sumChange(c diffmap.RuleChange) string {
	switch before, after := sumOf(c.Before), sumOf(c.After); {
	case c.After.Verdict == evidence.Fail && c.After.Stored != "":
		return fmt.Sprintf("stored %s, computed %s", c.After.Stored, c.After.Computed)
	case c.After.Verdict != evidence.Pass:
		return c.After.Reason
	case before == after:
		return after
	default:
		return before + " -> " + after
	}
}

func sumOf(r maps.RuleResult) string {
	if r.Stored != "" {
		return r.Stored
	}
	return r.Computed
}
