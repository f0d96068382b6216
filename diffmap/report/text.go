package report

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"example.com/calproof/image/evidence"
)

// Options of the text form. The zero value is plain text for 80 columns.
type Options struct {
	Colour bool // colour the words that matter; the text says the same without
	Width  int  // columns; 0 means 80, less than 40 counts as 40
}

// Text writes d for people.
func Text(w io.Writer, d Document, opts Options) error {
	p := &printer{colour: opts.Colour, width: max(opts.Width, 40)}
	if opts.Width == 0 {
		p.width = 80
	}
	d.Data.text(p, d.Findings)
	_, err := io.WriteString(w, p.b.String())
	return err
}

// printer collects lines. Everything passes through [Clean] on its way in.
type printer struct {
	b      strings.Builder
	width  int
	colour bool
	ascii  bool // draw in ASCII characters
}

// line writes one line, whatever its length.
func (p *printer) line(indent int, format string, args ...any) {
	p.write(indent, Clean(evidence.Sprintf(format, args...)))
}

func (p *printer) write(indent int, clean string) {
	if clean != "" {
		p.b.WriteString(strings.Repeat(" ", indent))
	}
	p.b.WriteString(strings.TrimRight(clean, " "))
	p.b.WriteByte('\n')
}

// wrap writes text broken at spaces; lines after the first are indented by hang.
func (p *printer) wrap(indent, hang int, format string, args ...any) {
	for _, l := range fold(Clean(evidence.Sprintf(format, args...)), p.width-indent, p.width-hang) {
		p.write(indent, l)
		indent = hang
	}
}

// labelled writes a word that matters, then text that hangs at column hang.
func (p *printer) labelled(indent, hang int, word, format string, args ...any) {
	room := p.width - hang
	word = Clean(word)
	for i, l := range fold(Clean(evidence.Sprintf(format, args...)), room, room) {
		if i > 0 {
			p.write(hang, l)
			continue
		}
		p.b.WriteString(strings.Repeat(" ", indent))
		p.b.WriteString(p.paint(word))
		p.b.WriteString(strings.Repeat(" ", max(1, hang-indent-width(word))))
		p.b.WriteString(l + "\n")
	}
}

// paint colours a verdict or severity if colour is on.
func (p *printer) paint(word string) string {
	code := map[string]string{
		"pass": "32", "fail": "31", "unproven": "33", "fault": "31", "caution": "33",
		"pass:": "1;32", "fail:": "1;31", "unproven:": "1;33",
	}[word]
	if !p.colour || code == "" {
		return word
	}
	return "\x1b[" + code + "m" + word + "\x1b[0m"
}

// verdict writes the first line of a document: the verdict and its reason.
func (p *printer) verdict(v evidence.Verdict, format string, args ...any) {
	word := string(v) + ":"
	p.labelled(0, len(word)+1, word, format, args...)
}

// heading starts a section.
func (p *printer) heading(format string, args ...any) {
	p.line(0, "")
	p.line(0, format, args...)
}

// facts writes pairs with an empty line before them, if there are any.
func (p *printer) facts(list [][2]string) {
	if slices.ContainsFunc(list, func(kv [2]string) bool { return kv[1] != "" }) {
		p.line(0, "")
		p.pairs(list)
	}
}

// pairs writes names and values in two columns. Pairs with an empty value are
// left out.
func (p *printer) pairs(list [][2]string) {
	widest := 0
	for _, kv := range list {
		if kv[1] != "" {
			widest = max(widest, width(kv[0]))
		}
	}
	for _, kv := range list {
		if kv[1] != "" {
			p.labelled(2, 4+widest, kv[0], "%s", kv[1])
		}
	}
}

// columns writes rows as a grid. align has a letter a column: 'l' sets it to the
// left, 'r' to the right, 'v' is for a word that matters. The last column is
// wrapped where it does not fit.
func (p *printer) columns(indent int, align string, rows [][]string) {
	var widths []int
	for _, row := range rows {
		for i := range row {
			row[i] = Clean(row[i])
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], width(row[i]))
		}
	}
	for _, row := range rows {
		var b strings.Builder
		room, last := 0, len(row)-1 // room: columns that b takes, colour not counted
		for i, cell := range row[:last] {
			space := strings.Repeat(" ", widths[i]-width(cell))
			room += widths[i] + 2
			switch align[i] {
			case 'r':
				b.WriteString(space + cell + "  ")
			case 'v':
				b.WriteString(p.paint(cell) + space + "  ")
			default:
				b.WriteString(cell + space + "  ")
			}
		}
		left := b.String()
		cell := row[last]
		if align[last] == 'r' {
			cell = strings.Repeat(" ", widths[last]-width(cell)) + cell
		}
		hang := indent + room
		if hang > p.width*2/3 && width(cell) > p.width-hang {
			hang = indent + 4 // no room beside it: below
		}
		for i, l := range fold(cell, p.width-indent-room, p.width-hang) {
			if i == 0 {
				p.write(indent, left+l)
			} else {
				p.write(hang, l)
			}
		}
	}
}

func width(s string) int { return utf8.RuneCountInString(s) }

// fold breaks text at spaces into lines of at most first, then rest columns. A
// word longer than a line stays whole: an address cut in two is worse than a
// long line.
func fold(text string, first, rest int) []string {
	if width(text) <= first {
		return []string{text}
	}
	var lines []string
	line, room := "", first
	for word := range strings.FieldsSeq(text) {
		switch {
		case line == "":
			line = word
		case width(line)+1+width(word) <= room:
			line += " " + word
		default:
			lines = append(lines, line)
			line, room = word, rest
		}
	}
	return append(lines, line)
}

// findings writes findings, the weightiest first: those of at least the
// severity of caution, or all.
func (p *printer) findings(title string, list []evidence.Finding, notes bool) {
	weight := map[evidence.Severity]int{evidence.Fault: 0, evidence.Caution: 1, evidence.Note: 2}
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b evidence.Finding) int { return weight[a.Severity] - weight[b.Severity] })
	started := false
	for _, f := range list {
		if f.Severity == evidence.Note && !notes {
			continue
		}
		if !started {
			p.heading("%s", title)
			started = true
		}
		p.finding(2, f)
	}
}

func (p *printer) finding(indent int, f evidence.Finding) {
	hang := indent + 9
	p.labelled(indent, hang, string(f.Severity), "%s", f.Message)
	// What the sentence says already is not said again.
	where := "code " + f.Code
	if name := fmt.Sprintf("%q", f.Region); f.Region != "" && !strings.Contains(f.Message, name) {
		where += ", region " + name
	}
	if len(f.Ranges) > 0 && !strings.Contains(f.Message, f.Ranges[0].String()) {
		where += ", at " + evidence.Ranges(f.Ranges)
	}
	p.wrap(hang, hang+2, "%s", where)
}

// bytesOf writes a size, in KiB or MiB too where that comes out even.
func bytesOf(n uint64) string {
	switch {
	case n >= 1<<20 && n%(1<<20) == 0:
		return fmt.Sprintf("%s bytes (%s MiB)", evidence.Thousands(n), evidence.Thousands(n>>20))
	case n >= 1<<10 && n%(1<<10) == 0:
		return fmt.Sprintf("%s bytes (%s KiB)", evidence.Thousands(n), evidence.Thousands(n>>10))
	}
	return evidence.Count(n, "byte")
}
