package report

import (
	"fmt"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// formatNames are the formats as people call them.
var formatNames = map[image.Format]string{
	image.FormatRaw: "raw binary", image.FormatIntelHex: "Intel HEX",
	image.FormatSRecord: "S-record", image.FormatELF: "ELF",
}

func formatName(f image.Format) string {
	if name, ok := formatNames[f]; ok {
		return name
	}
	return string(f)
}

// FileNote is an image.Note in JSON.
type FileNote struct {
	Line    int           `json:"line,omitempty"` // 1-based; 0 where a file has no lines
	Message string        `json:"message"`
	Ranges  []image.Range `json:"ranges,omitempty"`
}

func fileNotes(notes []image.Note) []FileNote {
	var out []FileNote
	for _, n := range notes {
		out = append(out, FileNote{n.Line, n.Message, n.Ranges})
	}
	return out
}

func (p *printer) notes(notes []FileNote) {
	if len(notes) == 0 {
		return
	}
	p.heading("Notes")
	for _, n := range notes {
		if n.Line > 0 {
			p.wrap(2, 4, "line %d: %s", n.Line, n.Message)
		} else {
			p.wrap(2, 4, "%s", n.Message)
		}
	}
}

// MapSummary names a region map.
type MapSummary struct {
	File  string `json:"file"`
	Title string `json:"title,omitempty"`
}

// SummaryOf names m.
func SummaryOf(m *maps.Map) *MapSummary {
	if m == nil {
		return nil
	}
	return &MapSummary{File: m.Path, Title: m.Title}
}

func (s *MapSummary) line() string {
	switch {
	case s == nil:
		return ""
	case s.Title == "":
		return s.File
	}
	return fmt.Sprintf("%s (%s)", s.File, s.Title)
}

// InspectData is what inspect tells about a file.
type InspectData struct {
	File         string        `json:"file"`
	FileSize     uint64        `json:"file_size"` // bytes of the file
	SHA256       string        `json:"sha256,omitempty"`
	Format       image.Format  `json:"format"`
	Size         uint64        `json:"size"` // bytes the image holds
	Segments     []image.Range `json:"segments"`
	Gaps         []image.Range `json:"gaps"` // between the segments
	Header       string        `json:"header,omitempty"`
	StartAddress *uint64       `json:"start_address,omitempty"`
	Notes        []FileNote    `json:"notes,omitempty"`

	Map      *MapSummary          `json:"map,omitempty"`
	Identity []maps.IdentityValue `json:"identity,omitempty"`
	Tables   []maps.TableValue    `json:"tables,omitempty"`
	Coverage []evidence.Finding   `json:"-"` // become the document's findings

	// Strip, if set, is a picture of the image in characters, a line each.
	Strip []string `json:"-"`
}

// Inspect fills in what im knows by itself. sha256 is the hash of the file in
// hex, or "".
func Inspect(file, sha256 string, im *image.Image) InspectData {
	d := InspectData{
		File: file, SHA256: sha256, Format: im.Format(), Size: im.Size(),
		Segments: append([]image.Range{}, im.Segments()...),
		Gaps:     append([]image.Range{}, im.Gaps(im.Bounds())...),
		Header:   im.Header(), Notes: fileNotes(im.Notes()),
	}
	if f := im.File(); f != nil {
		d.FileSize = uint64(f.Size())
	}
	if at, ok := im.StartAddress(); ok {
		d.StartAddress = &at
	}
	return d
}

// WithMap adds what a map says about the image.
func (d InspectData) WithMap(b *maps.Bound) InspectData {
	d.Map = SummaryOf(b.Map)
	d.Identity, d.Tables, d.Coverage = b.Identity(), b.Tables(), b.Coverage()
	return d
}

// Command returns "inspect".
func (InspectData) Command() string { return "inspect" }

func (d InspectData) outcome() (evidence.Verdict, []evidence.Finding) {
	return evidence.Pass, d.Coverage
}

func (d InspectData) text(p *printer, findings []evidence.Finding) {
	p.wrap(0, 2, "%s: %s, %s in %s", d.File, formatName(d.Format), bytesOf(d.Size), count(uint64(len(d.Segments)), "segment"))
	start := ""
	if d.StartAddress != nil {
		start = fmt.Sprintf("0x%X", *d.StartAddress)
	}
	header := ""
	if d.Header != "" {
		header = fmt.Sprintf("%q", d.Header)
	}
	p.facts([][2]string{
		{"file size", bytesOf(d.FileSize)}, {"SHA-256", d.SHA256}, {"header", header},
		{"starts at", start}, {"map", d.Map.line()},
	})
	p.heading("Segments")
	const shown = 40
	var rows [][]string
	for _, s := range d.Segments[:min(shown, len(d.Segments))] {
		rows = append(rows, []string{s.String(), bytesOf(s.Size)})
	}
	p.columns(2, "ll", rows)
	if more := len(d.Segments) - shown; more > 0 {
		p.line(2, "and %s more", thousands(uint64(more)))
	}
	p.strip(d.Strip)
	p.identity(d.Identity)
	p.tables(d.Tables)
	p.findings("Findings", findings, true)
	p.notes(d.Notes)
}

func (p *printer) identity(list []maps.IdentityValue) {
	if len(list) == 0 {
		return
	}
	p.heading("Identity")
	var rows [][]string
	for _, v := range list {
		rows = append(rows, []string{v.Name, identityText(v)})
		for _, n := range v.Notes {
			rows = append(rows, []string{"", n})
		}
	}
	p.columns(2, "ll", rows)
}

func identityText(v maps.IdentityValue) string {
	if v.Problem != "" {
		return fmt.Sprintf("\"%s\": %s", v.Value, v.Problem) // not %q: what cannot be shown is escaped already
	}
	return `"` + v.Value + `"`
}
