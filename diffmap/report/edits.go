package report

import (
	"fmt"
	"strings"

	"example.com/calproof/diffmap/edits"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// EditsRecordData is what was recorded of an edit.
type EditsRecordData struct {
	Name     string        `json:"name"`
	File     string        `json:"file"` // the edits file
	Original string        `json:"original"`
	Modified string        `json:"modified"`
	Map      *MapSummary   `json:"map,omitempty"`
	Ranges   []image.Range `json:"ranges"` // changed bytes that are part of the edit
	Cells    []string      `json:"cells"`  // what it does to tables, in units
	LeftOut  []string      `json:"left_out"`
	HashOnly bool          `json:"hash_only"` // hashes were kept instead of bytes
}

// EditsRecord makes the document of a recording.
func EditsRecord(file, original, modified string, m *MapSummary, rec *edits.Recording) EditsRecordData {
	d := EditsRecordData{Name: rec.Edit.Name, File: file, Original: original, Modified: modified, Map: m,
		Ranges: []image.Range{}, Cells: append([]string{}, rec.Edit.Cells...), LeftOut: append([]string{}, rec.LeftOut...)}
	for _, s := range rec.Edit.Stretches {
		for _, c := range s.Changes {
			d.Ranges = append(d.Ranges, c.Range)
			d.HashOnly = c.After.Data == nil
		}
	}
	return d
}

// Command returns "edits record".
func (EditsRecordData) Command() string { return "edits record" }

func (d EditsRecordData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

func (d EditsRecordData) text(p *printer, _ []evidence.Finding) {
	what := "with their bytes"
	if d.HashOnly {
		what = "as hashes"
	}
	p.wrap(0, 2, "recorded %q in %s: %s in %s, %s", d.Name, d.File,
		evidence.Count(image.TotalSize(d.Ranges), "byte"), evidence.Count(uint64(len(d.Ranges)), "place"), what)
	p.line(0, "")
	p.pairs([][2]string{{"original", d.Original}, {"modified", d.Modified}, {"map", d.Map.line()}, {"at", evidence.Ranges(d.Ranges)}})
	p.list("What it does", d.Cells)
	p.list("Left out", d.LeftOut)
}

func (p *printer) list(title string, lines []string) {
	if len(lines) == 0 {
		return
	}
	p.heading("%s", title)
	for _, l := range lines {
		p.wrap(2, 4, "- %s", l)
	}
}

// EditsFindData is which recorded edits are in an image.
type EditsFindData struct {
	Image string        `json:"image"`
	File  string        `json:"file"` // the edits file
	Edits []edits.Found `json:"edits"`
}

// Command returns "edits find".
func (EditsFindData) Command() string { return "edits find" }

func (d EditsFindData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

func (d EditsFindData) text(p *printer, _ []evidence.Finding) {
	present := 0
	for _, e := range d.Edits {
		if e.State == edits.Present {
			present++
		}
	}
	p.wrap(0, 2, "%s: %d of %s in %s present", d.Image, present, evidence.Count(uint64(len(d.Edits)), "recorded edit"), d.File)
	if len(d.Edits) > 0 {
		p.line(0, "")
	}
	for _, e := range d.Edits {
		p.labelled(2, 13, string(e.State), "%s", e.Edit)
		plain := e.State == edits.Present || e.State == edits.Absent
		for _, s := range e.Stretches {
			if plain && s.Shift == 0 && s.Confidence == edits.BothAnchors {
				continue // where it was recorded, in the same surroundings
			}
			p.wrap(13, 15, "- %s", stretchText(s))
		}
	}
}

var confidenceText = map[edits.Confidence]string{
	edits.BothAnchors: "the bytes before and after are the recorded ones",
	edits.OneAnchor:   "only on one side are the bytes the recorded ones",
	edits.AddressOnly: "the bytes around are not the recorded ones: judged by address alone",
	edits.Ambiguous:   "the bytes around are found at several places: judged at the recorded address",
}

func stretchText(s edits.FoundStretch) string {
	parts := []string{fmt.Sprintf("%s: %s", s.At, s.State)}
	if s.Shift != 0 {
		parts = append(parts, fmt.Sprintf("recorded at %s", s.Recorded))
	}
	for _, part := range []struct {
		ranges []image.Range
		text   string
	}{{s.As.Before, "as before the edit"}, {s.As.Neither, "neither as before nor as after"}, {s.As.Under, "held by another edit"}} {
		if len(part.ranges) > 0 && s.State != edits.Absent {
			parts = append(parts, evidence.Ranges(part.ranges)+" "+part.text)
		}
	}
	if len(s.Over) > 0 {
		parts = append(parts, "under "+quotedList(s.Over))
	}
	return strings.Join(append(parts, confidenceText[s.Confidence]), "; ")
}

func quotedList(names []string) string {
	quoted := make([]string, len(names))
	for i, n := range names {
		quoted[i] = fmt.Sprintf("%q", n)
	}
	return strings.Join(quoted, ", ")
}

// explanation writes which recorded edits account for a difference.
func (p *printer) explanation(e *edits.Explanation) {
	if e == nil {
		return
	}
	p.heading("Recorded edits")
	for _, r := range e.Recognised {
		what := "made"
		if r.Undone {
			what = "undone"
		}
		moved := ""
		if r.Shift {
			moved = ", moved from where it was recorded"
		}
		p.labelled(2, 11, what, "%s: %s at %s%s", r.Edit, evidence.Count(image.TotalSize(r.Ranges), "byte"), evidence.Ranges(r.Ranges), moved)
	}
	if len(e.Recognised) == 0 {
		p.line(2, "none of the recorded edits leads from one image to the other")
	}
	if n := image.TotalSize(e.Ignored); n > 0 {
		p.wrap(2, 4, "%s of stored checksum values and adaptation regions are part of no edit", evidence.Count(n, "changed byte"))
	}
	if e.Bytes > 0 {
		p.wrap(2, 4, "unexplained: %s at %s", evidence.Count(e.Bytes, "changed byte"), evidence.Ranges(e.Unexplained))
	} else {
		p.line(2, "every other changed byte is explained")
	}
}
