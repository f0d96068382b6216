package edits

import (
	"bytes"
	"fmt"
	"strings"
	"unicode"
)

// header starts a new edits file.
const header = `# Named edits: what known changes do to an image. calproof records and finds
# them; it never applies one. Comments and order are yours to change.
format = 1
`

// AppendTo returns the edits file old with e added at its end; comments and
// order of old are kept. An empty or nil old starts a new file. name is used
// in messages.
func (e Edit) AppendTo(name string, old []byte) ([]byte, error) {
	if len(bytes.TrimSpace(old)) == 0 {
		old = []byte(header)
	} else {
		file, err := Parse(name, old)
		if err != nil {
			return nil, err
		}
		if _, taken := file.Find(e.Name); taken {
			return nil, fmt.Errorf("%s: there is already an edit %q; choose another name, or remove the old one by hand", name, e.Name)
		}
	}
	out := bytes.TrimRight(bytes.Clone(old), "\r\n")
	out = append(out, "\n\n"...)
	out = append(out, e.text()...)
	if _, err := Parse(name, out); err != nil {
		return nil, fmt.Errorf("edit %q cannot be written: %w", e.Name, err)
	}
	return out, nil
}

// text writes e as TOML.
func (e Edit) text() string {
	var b strings.Builder
	b.WriteString("[[edit]]\n")
	fmt.Fprintf(&b, "name = %s\n", quote(e.Name))
	if e.Note != "" {
		fmt.Fprintf(&b, "note = %s\n", quote(e.Note))
	}
	if len(e.Cells) > 0 {
		b.WriteString("cells = [\n")
		for _, c := range e.Cells {
			fmt.Fprintf(&b, "  %s,\n", quote(c))
		}
		b.WriteString("]\n")
	}
	for _, s := range e.Stretches {
		b.WriteString("\n[[edit.stretch]]\n")
		writeAnchor(&b, "lead", s.Lead)
		writeAnchor(&b, "trail", s.Trail)
		for _, c := range s.Changes {
			b.WriteString("[[edit.stretch.change]]\n")
			fmt.Fprintf(&b, "range  = %s\n", quote(c.Range.String()))
			if c.Region != "" {
				fmt.Fprintf(&b, "region = %s\n", quote(c.Region))
			}
			writeBytes(&b, "before", c.Before)
			writeBytes(&b, "after", c.After)
		}
	}
	return b.String()
}

func writeAnchor(b *strings.Builder, key string, a Anchor) {
	if a.exists() {
		fmt.Fprintf(b, "%s = { adler32 = \"0x%08X\", sha256 = \"%x\" }\n", key, a.Adler32, a.SHA256)
	}
}

func writeBytes(b *strings.Builder, key string, v Bytes) {
	if v.Data == nil {
		fmt.Fprintf(b, "%s_sha256 = \"%x\"\n", key, v.SHA256)
		return
	}
	fmt.Fprintf(b, "%s = \"%X\"\n", key, v.Data)
}

// quote writes a TOML basic string (TOML 1.0.0, "String").
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range strings.ToValidUTF8(s, "\uFFFD") {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < 0x20 || r == 0x7F || !unicode.IsPrint(r) && r <= 0xFFFF:
			fmt.Fprintf(&b, `\u%04X`, r)
		case !unicode.IsPrint(r):
			fmt.Fprintf(&b, `\U%08X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
