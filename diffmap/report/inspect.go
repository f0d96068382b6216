package report

import (
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"io"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
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
			p.wrap(2, 4, "line %v: %s", n.Line, n.Message)
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
	SHA1         string        `json:"sha1,omitempty"`
	MD5          string        `json:"md5,omitempty"`
	CRC32        string        `json:"crc32,omitempty"` // CRC-32/ISO-HDLC, "0x..."
	Format       image.Format  `json:"format"`
	CouldBe      []FormatGuess `json:"could_be,omitempty"`
	Size         uint64        `json:"size"` // bytes the image holds
	Segments     []image.Range `json:"segments"`
	Gaps         []image.Range `json:"gaps"` // between the segments
	Header       string        `json:"header,omitempty"`
	StartAddress *uint64       `json:"start_address,omitempty"`
	Notes        []FileNote    `json:"notes,omitempty"`

	Entropy *float64      `json:"entropy,omitempty"` // Shannon, bits a byte, of the whole image
	Parts   []PartEntropy `json:"entropy_parts,omitempty"`

	Map      *MapSummary          `json:"map,omitempty"`
	Identity []maps.IdentityValue `json:"identity,omitempty"`
	Tables   []maps.TableValue    `json:"tables,omitempty"`
	Coverage []evidence.Finding   `json:"-"` // become the document's findings

	// Strip, if set, is a picture of the image in characters, a line each.
	Strip []string `json:"-"`
	// Listing, if set, is all that the text form says.
	Listing string `json:"-"`
}

// FormatGuess is an image.Guess in JSON.
type FormatGuess struct {
	Format image.Format `json:"format"`
	Fits   bool         `json:"fits"`
	Reason string       `json:"reason"`
}

// PartEntropy is the entropy of a part of an image.
type PartEntropy struct {
	Name    string      `json:"name,omitempty"` // of the region; "" without a map
	Range   image.Range `json:"range"`
	Entropy float64     `json:"entropy"` // Shannon, bits a byte
}

// Inspect fills in what the image file of b tells by itself and, if b has a map,
// what the map says about it. It reads the image once, for hashes and entropy;
// [maps.ReadOnce] says where the file is read besides.
func Inspect(file string, b *maps.Bound) (InspectData, error) {
	im := b.Opened()
	d := InspectData{
		File: file, Format: im.Format(), Size: im.Size(),
		Segments: append([]image.Range{}, im.Segments()...),
		Gaps:     append([]image.Range{}, im.Gaps(im.Bounds())...),
		Header:   im.Header(), Notes: fileNotes(im.Notes()),
		Map: SummaryOf(b.Map), Identity: b.Identity(), Tables: b.Tables(), Coverage: b.Coverage(),
	}
	if at, ok := im.StartAddress(); ok {
		d.StartAddress = &at
	}
	if f := im.File(); f != nil {
		d.FileSize = uint64(f.Size())
		guesses, err := image.Guesses(f, f.Size())
		if err != nil {
			return d, fmt.Errorf("%s: %w", file, err)
		}
		for _, g := range guesses {
			d.CouldBe = append(d.CouldBe, FormatGuess(g))
		}
	}
	return d, d.measure(b)
}

// measure computes the entropy of the image and of parts of it, and hashes the
// file with everything that other programs may have noted down about it.
// SHA-256 identifies it; the others only find it again.
func (d *InspectData) measure(b *maps.Bound) error {
	d.Parts = parts(b)
	ranges := make([]image.Range, len(d.Parts))
	for i, p := range d.Parts {
		ranges[i] = p.Range
	}
	entropies := readcheck.NewEntropies(ranges...)
	pass := &maps.Pass{Bound: b, Name: d.File}
	s256, s1, m5, c32 := sha256.New(), sha1.New(), md5.New(), crc32.NewIEEE()
	hashed := b.Opened().File() != nil
	if hashed {
		pass.File = io.MultiWriter(s256, s1, m5, c32)
	}
	err := maps.ReadOnce(func(addr uint64, blocks [][]byte) error { entropies.Take(addr, blocks[0]); return nil }, pass)
	if err != nil {
		return err
	}
	if hashed {
		d.SHA256, d.SHA1, d.MD5 = hex.EncodeToString(s256.Sum(nil)), hex.EncodeToString(s1.Sum(nil)), hex.EncodeToString(m5.Sum(nil))
		d.CRC32 = fmt.Sprintf("0x%08X", c32.Sum32())
	}
	whole := entropies.Whole()
	d.Entropy = &whole
	for i := range d.Parts {
		d.Parts[i].Entropy = entropies.Part(i)
	}
	return nil
}

// equalParts is into how many parts an image in one piece is cut.
const equalParts = 16

// parts are what the entropy of an image is told of: the regions of the map, or
// without a map its segments, or equal parts of the only one.
func parts(b *maps.Bound) []PartEntropy {
	var out []PartEntropy
	if b.Map != nil {
		for _, r := range b.Map.Regions {
			out = append(out, PartEntropy{Name: r.Name, Range: r.Range})
		}
		return out
	}
	segments := b.Image.Segments()
	if len(segments) == 1 && segments[0].Size >= equalParts {
		whole := segments[0]
		per := whole.Size / equalParts
		for i := range uint64(equalParts) {
			r := image.Range{Start: whole.Start + i*per, Size: per}
			if i == equalParts-1 {
				r.Size = whole.Size - i*per
			}
			out = append(out, PartEntropy{Range: r})
		}
		return out
	}
	for _, s := range segments {
		out = append(out, PartEntropy{Range: s})
	}
	return out
}

// Command returns "inspect".
func (InspectData) Command() string { return "inspect" }

func (d InspectData) outcome() (evidence.Verdict, []evidence.Finding) {
	return evidence.Pass, d.Coverage
}

func (d InspectData) text(p *printer, findings []evidence.Finding) {
	if d.Listing != "" {
		for l := range strings.SplitSeq(strings.TrimSuffix(d.Listing, "\n"), "\n") {
			p.line(0, "%s", l)
		}
		return
	}
	p.wrap(0, 2, "%s: %s, %s in %s", d.File, formatName(d.Format), bytesOf(d.Size), evidence.Count(uint64(len(d.Segments)), "segment"))
	start := ""
	if d.StartAddress != nil {
		start = fmt.Sprintf("0x%X", *d.StartAddress)
	}
	header := ""
	if d.Header != "" {
		header = fmt.Sprintf("%q", d.Header)
	}
	p.facts([][2]string{
		{"file size", bytesOf(d.FileSize)}, {"SHA-256", d.SHA256}, {"SHA-1", d.SHA1}, {"MD5", d.MD5}, {"CRC-32", d.CRC32},
		{"header", header}, {"starts at", start}, {"map", d.Map.line()},
	})
	p.heading("Segments")
	var rows [][]string
	for _, s := range d.Segments[:min(shownParts, len(d.Segments))] {
		rows = append(rows, []string{s.String(), bytesOf(s.Size)})
	}
	p.columns(2, "ll", rows)
	p.more(len(d.Segments) - shownParts)
	p.strip(d.Strip)
	p.couldBe(d.CouldBe)
	p.entropy(d.Entropy, d.Parts)
	p.identity(d.Identity)
	p.tables(d.Tables)
	p.findings("Findings", findings, true)
	p.notes(d.Notes)
}

// shownParts is how many segments or parts the text form lists. JSON has all.
const shownParts = 40

func (p *printer) more(left int) {
	if left > 0 {
		p.line(2, "and %s more", evidence.Thousands(uint64(left)))
	}
}

// couldBe says what the bytes could be, what fits first.
func (p *printer) couldBe(list []FormatGuess) {
	if len(list) == 0 {
		return
	}
	p.heading("Could be")
	var rows [][]string
	for _, fits := range []bool{true, false} {
		word := map[bool]string{true: "yes", false: "no"}[fits]
		for _, g := range list {
			if g.Fits == fits {
				rows = append(rows, []string{word, formatName(g.Format), g.Reason})
			}
		}
	}
	p.columns(2, "lll", rows)
}

// entropy says how varied the bytes are.
func (p *printer) entropy(whole *float64, parts []PartEntropy) {
	if whole == nil {
		return
	}
	p.heading("Entropy (Shannon, bits a byte: 0 one value only, 8 random, packed or encrypted)")
	rows := [][]string{{"the whole image", fmt.Sprintf("%.2f", *whole), ""}}
	for _, part := range parts[:min(shownParts, len(parts))] {
		name := part.Name
		if name == "" {
			name = part.Range.String()
		}
		where := ""
		if part.Name != "" {
			where = part.Range.String()
		}
		rows = append(rows, []string{name, fmt.Sprintf("%.2f", part.Entropy), where})
	}
	p.columns(2, "lrl", rows)
	p.more(len(parts) - shownParts)
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
