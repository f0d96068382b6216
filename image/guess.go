package image

import (
	"bytes"
	"errors"
	"io"
)

// Guess says whether the bytes of a file could be in a format, and why.
type Guess struct {
	Format Format
	Fits   bool
	Reason string // a clause, such as "it starts with the mark of ELF files"
}

// Guesses says of every format whether r, of size bytes, could be in it, in the
// order in which they are tried. It looks at the first bytes only, as [New]
// does; a file that fits may still have mistakes. Raw always fits, with a
// warning where the bytes look like a file of another kind.
func Guesses(r io.ReaderAt, size int64) ([]Guess, error) {
	head := make([]byte, min(max(size, 0), sniffSize))
	if n, err := r.ReadAt(head, 0); err != nil && !(errors.Is(err, io.EOF) && n == len(head)) {
		return nil, err
	}
	reasons := map[Format][2]string{ // does not fit, fits
		FormatELF:      {"it does not start with 7F 45 4C 46, the mark of ELF files", "it starts with 7F 45 4C 46, the mark of ELF files"},
		FormatIntelHex: {"no line at its start is a colon with hexadecimal digits", "it has a line of a colon with hexadecimal digits"},
		FormatSRecord:  {"no line at its start is the letter S, a digit and hexadecimal digits", "it has a line of the letter S, a digit and hexadecimal digits"},
	}
	var out []Guess
	var others []Format
	for _, rd := range readers() {
		g := Guess{Format: rd.format, Fits: rd.sniff(head)}
		switch {
		case rd.format == FormatRaw:
			g.Reason = rawReason(head, others)
		case g.Fits:
			g.Reason = reasons[rd.format][1]
			others = append(others, rd.format)
		default:
			g.Reason = reasons[rd.format][0]
		}
		out = append(out, g)
	}
	return out, nil
}

// containers are files that hold others, compressed, by their first bytes.
// Somebody who hands one in has not unpacked it.
var containers = []struct{ mark, name string }{
	{"\x1F\x8B\x08", "a gzip file (RFC 1952, section 2.3.1)"},
	{"PK\x03\x04", "a zip file (APPNOTE.TXT, section 4.3.7)"},
	{"\xFD7zXZ\x00", "an xz file (The .xz File Format, section 2.1.1.1)"},
	{"7z\xBC\xAF\x27\x1C", "a 7z file"},
}

func rawReason(head []byte, others []Format) string {
	if len(others) > 0 {
		return "any bytes can be memory, but these are better explained above"
	}
	if wideText(head) {
		return "any bytes can be memory, but these look like hex records saved as UTF-16 text"
	}
	for _, c := range containers {
		if bytes.HasPrefix(head, []byte(c.mark)) {
			return "any bytes can be memory, but these start like " + c.name + "; unpack it first"
		}
	}
	return "any bytes can be memory, and nothing else fits"
}
