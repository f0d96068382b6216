package report

import "example.com/calproof/image/evidence"

// TextData is a text that a command makes for another program to read: a
// completion script, a JSON Schema, a starting map.
type TextData struct {
	For  string `json:"-"`              // name of the command
	File string `json:"file,omitempty"` // file it was written to; "" if it is itself the output
	Text string `json:"text"`
}

// Command returns the name of the command.
func (d TextData) Command() string { return d.For }

func (d TextData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

// text writes the text as it is: it is ours, and its reader is no terminal.
func (d TextData) text(p *printer, _ []evidence.Finding) {
	if d.File != "" {
		p.line(0, "wrote %s", d.File)
		return
	}
	p.b.WriteString(d.Text)
}
