package bagit

import (
	"bytes"
	"cmp"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	textunicode "golang.org/x/text/encoding/unicode"
)

// Declaration is the bagit.txt of every bag we write.
const Declaration = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

// Limits on what a tag file may hold, far above any real bag.
const (
	MaxTagFile = 16 << 20 // bytes
	maxLine    = 8 << 10  // bytes of one manifest line
	maxInfo    = 10_000   // lines of bag-info.txt
)

// Line is one line of a manifest.
type Line struct {
	Number int    // 1-based
	Sum    []byte // the hash
	Path   string // as written, before any clean-up
}

// ParseManifest reads a manifest: on each line a hash in hexadecimal, spaces
// or tabs, a path. Line ends are LF, CR LF or CR. The "*" that md5sum-like
// programs put before the path in binary mode stays part of Path. hashSize is
// the number of bytes of a hash. The error names the first bad line.
func ParseManifest(data []byte, hashSize int) ([]Line, error) {
	var lines []Line
	for number, text := range splitLines(string(data)) {
		if len(text) > maxLine {
			return nil, fmt.Errorf("line %d has %d bytes, more than %d", number, len(text), maxLine)
		}
		if strings.Trim(text, " \t") == "" {
			continue
		}
		cut := strings.IndexAny(text, " \t")
		if cut < 0 {
			return nil, fmt.Errorf("line %d holds no space between hash and path", number)
		}
		sum, err := hex.DecodeString(text[:cut])
		if err != nil || len(sum) != hashSize {
			return nil, fmt.Errorf("line %d does not begin with %d hexadecimal digits", number, 2*hashSize)
		}
		path := strings.TrimLeft(text[cut:], " \t")
		lines = append(lines, Line{Number: number, Sum: sum, Path: path})
	}
	return lines, nil
}

// FormatManifest writes lines in the form sha256sum reads: lower-case
// hexadecimal, two spaces, path, LF; sorted by the bytes of the path.
func FormatManifest(lines []Line) []byte {
	sorted := slices.SortedFunc(slices.Values(lines), func(a, b Line) int { return cmp.Compare(a.Path, b.Path) })
	var out []byte
	for _, l := range sorted {
		out = hex.AppendEncode(out, l.Sum)
		out = append(append(append(out, "  "...), l.Path...), '\n')
	}
	return out
}

// Field is one labelled value of bag-info.txt. Labels repeat.
type Field struct {
	Label string `json:"label"`
	Value string `json:"value"`
}

// Fields are the values of a bag-info.txt in file order.
type Fields []Field

// Get returns the first value of label, compared without case, or "".
func (f Fields) Get(label string) string {
	for _, field := range f {
		if strings.EqualFold(field.Label, label) {
			return field.Value
		}
	}
	return ""
}

// All returns every value of label, in order.
func (f Fields) All(label string) []string {
	var out []string
	for _, field := range f {
		if strings.EqualFold(field.Label, label) {
			out = append(out, field.Value)
		}
	}
	return out
}

// foldAt is the line length RFC 8493 section 2.2.2 recommends not to exceed.
const foldAt = 79

// FormatInfo writes fields, one on a line in the given order, long values
// folded at single spaces as RFC 8493 section 2.2.2 says. A label must be
// letters, digits and hyphens; a value must be one line of visible UTF-8 text
// without white space around it or two spaces in a row, so that folding
// changes nothing. [Squeeze] makes such a value of any text.
func FormatInfo(fields Fields) ([]byte, error) {
	var out bytes.Buffer
	for _, f := range fields {
		if f.Label == "" || strings.ContainsFunc(f.Label, func(c rune) bool {
			return c != '-' && (c > unicode.MaxASCII || !unicode.IsLetter(c) && !unicode.IsDigit(c))
		}) {
			return nil, fmt.Errorf("label %q may hold letters, digits and hyphens only", f.Label)
		}
		if f.Value == "" || f.Value != Squeeze(f.Value) {
			return nil, fmt.Errorf("value %q of %s is not one line of visible text with single spaces", f.Value, f.Label)
		}
		line := f.Label + ":"
		for i, word := range strings.Split(f.Value, " ") {
			if i > 0 && len(line)+1+len(word) > foldAt {
				out.WriteString(line + "\n")
				line = " "
			}
			line += " " + word
		}
		out.WriteString(line + "\n")
	}
	return out.Bytes(), nil
}

// Squeeze returns s as a value [FormatInfo] takes: every run of white space
// and invisible characters becomes one space, and none is left at the ends.
func Squeeze(s string) string {
	words := strings.FieldsFunc(strings.ToValidUTF8(s, "\uFFFD"), func(c rune) bool {
		return c == ' ' || unicode.IsSpace(c) || !unicode.IsGraphic(c)
	})
	return strings.Join(words, " ")
}

// ParseInfo reads a bag-info.txt. A line that begins with a space or tab goes
// on with the value of the line before it, joined by one space.
func ParseInfo(data []byte) (Fields, error) {
	fields := make(Fields, 0, 24) // as many as most have
	for number, text := range splitLines(string(data)) {
		if number > maxInfo {
			return nil, fmt.Errorf("more than %d lines", maxInfo)
		}
		trimmed := strings.Trim(text, " \t")
		switch {
		case trimmed == "":
		case text[0] == ' ' || text[0] == '\t':
			if len(fields) == 0 {
				return nil, fmt.Errorf("line %d goes on with a value, but there is none before it", number)
			}
			last := &fields[len(fields)-1]
			last.Value = strings.TrimLeft(last.Value+" "+trimmed, " ")
		default:
			label, value, ok := strings.Cut(text, ":")
			if label = strings.Trim(label, " \t"); !ok || label == "" {
				return nil, fmt.Errorf(`line %d is not "Label: value"`, number)
			}
			fields = append(fields, Field{Label: label, Value: strings.Trim(value, " \t")})
		}
	}
	return fields, nil
}

// splitLines yields the lines of s with their 1-based numbers; a line ends in
// LF, CR LF or CR.
func splitLines(s string) func(yield func(int, string) bool) {
	return func(yield func(int, string) bool) {
		for number := 1; s != ""; number++ {
			line := s
			if end := strings.IndexAny(s, "\r\n"); end >= 0 {
				line = s[:end]
				if strings.HasPrefix(s[end:], "\r\n") {
					end++
				}
				s = s[end+1:]
			} else {
				s = ""
			}
			if !yield(number, line) {
				return
			}
		}
	}
}

// decodeText returns data as UTF-8 text.
func decodeText(data []byte, charset string) ([]byte, error) {
	var enc encoding.Encoding
	switch strings.ToUpper(charset) {
	case "UTF-8", "US-ASCII", "ASCII":
		if !utf8.Valid(data) {
			return nil, fmt.Errorf("is not UTF-8")
		}
		return bytes.TrimPrefix(data, []byte("\uFEFF")), nil
	case "UTF-16":
		enc = textunicode.UTF16(textunicode.BigEndian, textunicode.UseBOM)
	case "UTF-16BE":
		enc = textunicode.UTF16(textunicode.BigEndian, textunicode.IgnoreBOM)
	case "UTF-16LE":
		enc = textunicode.UTF16(textunicode.LittleEndian, textunicode.IgnoreBOM)
	case "ISO-8859-1":
		enc = charmap.ISO8859_1
	default:
		return nil, fmt.Errorf("is encoded in %q, which is not known here", charset)
	}
	out, err := enc.NewDecoder().Bytes(data)
	if err != nil {
		return nil, fmt.Errorf("is not %s: %w", charset, err)
	}
	return out, nil
}
