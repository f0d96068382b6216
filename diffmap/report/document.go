package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"unicode/utf8"

	"example.com/calproof/image/evidence"
)

// Document is what a command has to say. [New] makes it.
type Document struct {
	Version  string             `json:"calproof"` // version of the program
	Command  string             `json:"command"`
	Verdict  evidence.Verdict   `json:"verdict"`
	Findings []evidence.Finding `json:"findings"` // never nil
	Data     Data               `json:"data"`
}

// Data is the result of one command, such as [DiffData].
type Data interface {
	// Command returns the name of the command, such as "map check".
	Command() string
	// outcome returns the document's verdict and findings.
	outcome() (evidence.Verdict, []evidence.Finding)
	// text writes the data for people; the findings come with it.
	text(p *printer, findings []evidence.Finding)
}

// New makes the document of a result. version is the program's.
func New(version string, data Data) Document {
	verdict, findings := data.outcome()
	if findings == nil {
		findings = []evidence.Finding{}
	}
	return Document{Version: version, Command: data.Command(), Verdict: verdict, Findings: findings, Data: data}
}

// JSON writes d as one indented JSON document and a newline. Characters that
// [Clean] would escape are written as \u escapes.
func JSON(w io.Writer, d Document) error { return writeJSON(w, d.Command, d) }

// Failure is what a command that could not run has to say. It has no verdict.
type Failure struct {
	Version string `json:"calproof"`          // version of the program
	Command string `json:"command,omitempty"` // "" if it is not known which one was meant
	Error   string `json:"error"`             // what is wrong and what to do, in one or more lines
}

// FailureJSON writes f in the form of [JSON].
func FailureJSON(w io.Writer, f Failure) error { return writeJSON(w, f.Command, f) }

func writeJSON(w io.Writer, command string, v any) error {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return fmt.Errorf("write %s as JSON: %w", command, err)
	}
	_, err := w.Write(escapeJSON(b.Bytes()))
	return err
}

// escapeJSON escapes what could steer a terminal. Outside of strings JSON holds
// nothing but ASCII, so every such character lies in one.
func escapeJSON(doc []byte) []byte {
	out := make([]byte, 0, len(doc))
	for len(doc) > 0 {
		r, n := utf8.DecodeRune(doc)
		switch {
		case r == '\n' || plain(r):
			out = append(out, doc[:n]...)
		case r > 0xFFFF: // as a surrogate pair
			r -= 0x10000
			out = fmt.Appendf(out, `\u%04x\u%04x`, 0xD800+r>>10, 0xDC00+r&0x3FF)
		default:
			out = fmt.Appendf(out, `\u%04x`, r)
		}
		doc = doc[n:]
	}
	return out
}
