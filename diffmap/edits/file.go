package edits

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"

	"example.com/calproof/image"
)

// File is an edits file: recorded edits, in the order they were recorded.
type File struct {
	Path  string // "" for one made in memory
	Edits []Edit
}

// MaxFileSize is the largest edits file that is read, in bytes.
const MaxFileSize = 64 << 20

const maxNameLength = 120 // bytes

// header starts a new edits file.
const header = `# Named edits: what known changes do to an image. calproof records and finds
# them; it never applies one. Comments and order are yours to change.
format = 1
`

type fileTOML struct {
	Format int        `toml:"format"`
	Edits  []editTOML `toml:"edit"`
}

type editTOML struct {
	Name      string        `toml:"name"`
	Note      string        `toml:"note"`
	Cells     []string      `toml:"cells"`
	Stretches []stretchTOML `toml:"stretch"`
}

type stretchTOML struct {
	Lead    *anchorTOML  `toml:"lead"`
	Trail   *anchorTOML  `toml:"trail"`
	Changes []changeTOML `toml:"change"`
}

type anchorTOML struct {
	Adler32 string `toml:"adler32"`
	SHA256  string `toml:"sha256"`
}

type changeTOML struct {
	Range        string `toml:"range"`
	Region       string `toml:"region"`
	Before       string `toml:"before"`
	After        string `toml:"after"`
	BeforeSHA256 string `toml:"before_sha256"`
	AfterSHA256  string `toml:"after_sha256"`
}

// Load reads an edits file. The error lists every mistake.
func Load(path string) (*File, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("edits file: %w", err)
	}
	if info.Size() > MaxFileSize {
		return nil, fmt.Errorf("edits file %s: %d bytes are more than the %d that are read", path, info.Size(), int64(MaxFileSize))
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("edits file: %w", err)
	}
	return Parse(path, data)
}

// Parse reads an edits file from memory; name is used in messages. The error
// lists every mistake, each with its line where the syntax tells it and with
// its key otherwise.
func Parse(name string, data []byte) (*File, error) {
	var raw fileTOML
	decoder := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := decoder.Decode(&raw); err != nil {
		return nil, syntaxError(name, err)
	}
	file := &File{Path: name}
	var problems []error
	bad := func(key, format string, args ...any) {
		problems = append(problems, fmt.Errorf("%s: %s: %s", name, key, fmt.Sprintf(format, args...)))
	}
	if raw.Format != 1 {
		bad("format", "this program reads format 1, not %d", raw.Format)
	}
	seen := map[string]int{}
	for i, e := range raw.Edits {
		key := fmt.Sprintf("edit[%d]", i)
		if err := checkName(e.Name); err != nil {
			bad(key+".name", "%v", err)
		}
		if first, twice := seen[e.Name]; twice {
			bad(key+".name", "%q is already the name of edit[%d]; every edit needs a name of its own", e.Name, first)
		} else {
			seen[e.Name] = i
		}
		edit := Edit{Name: e.Name, Note: e.Note, Cells: e.Cells}
		if len(e.Stretches) == 0 {
			bad(key, "no stretch: an edit changes at least one byte")
		}
		for k, s := range e.Stretches {
			edit.Stretches = append(edit.Stretches, s.check(fmt.Sprintf("%s.stretch[%d]", key, k), bad))
		}
		file.Edits = append(file.Edits, edit)
	}
	if len(problems) > 0 {
		return nil, errors.Join(problems...)
	}
	return file, nil
}

func syntaxError(name string, err error) error {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) {
		var all []error
		for _, e := range strict.Errors {
			row, column := e.Position()
			all = append(all, fmt.Errorf("%s:%d:%d: unknown key %s", name, row, column, strings.Join(e.Key(), ".")))
		}
		return errors.Join(all...)
	}
	var syntax *toml.DecodeError
	if errors.As(err, &syntax) {
		row, column := syntax.Position()
		return fmt.Errorf("%s:%d:%d: %w", name, row, column, err)
	}
	return fmt.Errorf("%s: %w", name, err)
}

type report func(key, format string, args ...any)

func (s stretchTOML) check(key string, bad report) Stretch {
	out := Stretch{Lead: s.Lead.check(key+".lead", bad), Trail: s.Trail.check(key+".trail", bad)}
	if len(s.Changes) == 0 {
		bad(key, "no change: a stretch changes at least one byte")
	}
	for i, c := range s.Changes {
		where := fmt.Sprintf("%s.change[%d]", key, i)
		change := c.check(where, bad)
		if n := len(out.Changes); n > 0 && change.Range.Size > 0 {
			if prev := out.Changes[n-1].Range; prev.Size > 0 && (change.Range.Start <= prev.Last() || change.Range.Start-prev.Last() == 1) {
				bad(where+".range", "%s does not lie clear after %s; list changes by address, apart from one another", change.Range, prev)
			}
		}
		out.Changes = append(out.Changes, change)
	}
	return out
}

func (a *anchorTOML) check(key string, bad report) Anchor {
	if a == nil {
		return Anchor{}
	}
	sum, err := strconv.ParseUint(a.Adler32, 0, 32)
	if err != nil || !strings.HasPrefix(a.Adler32, "0x") {
		bad(key+".adler32", "%q is no 32-bit hexadecimal number such as 0x11E60398", a.Adler32)
	}
	return Anchor{Adler32: uint32(sum), SHA256: parseHash(key+".sha256", a.SHA256, bad)}
}

func (c changeTOML) check(key string, bad report) Change {
	r, err := image.ParseRange(c.Range)
	if err != nil {
		bad(key+".range", "%v", err)
	}
	side := func(field, data, hash string) Bytes {
		switch {
		case data != "" && hash != "":
			bad(key+"."+field, "give the bytes or their SHA-256, not both")
		case hash != "":
			return Bytes{SHA256: parseHash(key+"."+field+"_sha256", hash, bad)}
		}
		raw, err := hex.DecodeString(data)
		if err != nil || len(raw) == 0 {
			bad(key+"."+field, "%q is no string of hexadecimal bytes such as 10F4", clip(data))
			return Bytes{}
		}
		if r.Size > 0 && uint64(len(raw)) != r.Size {
			bad(key+"."+field, "%d bytes for a range of %d", len(raw), r.Size)
		}
		return keep(raw, false)
	}
	out := Change{Range: r, Region: c.Region, Before: side("before", c.Before, c.BeforeSHA256), After: side("after", c.After, c.AfterSHA256)}
	if r.Size > MaxBytes {
		bad(key+".range", "%d bytes are more than an edit may change (%d)", r.Size, MaxBytes)
	}
	return out
}

func parseHash(key, text string, bad report) (sum [sha256.Size]byte) {
	raw, err := hex.DecodeString(text)
	if err != nil || len(raw) != len(sum) {
		bad(key, "%q is no SHA-256: 64 hexadecimal digits", clip(text))
		return sum
	}
	copy(sum[:], raw)
	return sum
}

func clip(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "..."
}

func checkName(name string) error {
	switch {
	case strings.TrimSpace(name) == "":
		return errors.New("an edit needs a name")
	case len(name) > maxNameLength:
		return fmt.Errorf("a name of %d bytes is too long; %d at most", len(name), maxNameLength)
	case !utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return fmt.Errorf("name %q holds a character that does not print", name)
	}
	return nil
}

// Find returns the edit called name.
func (f *File) Find(name string) (Edit, bool) {
	for _, e := range f.Edits {
		if e.Name == name {
			return e, true
		}
	}
	return Edit{}, false
}

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
