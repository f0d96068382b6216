package edits

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
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

// Limits of an edits file, which bound what a search costs.
const (
	MaxFileSize  = 64 << 20 // bytes of its text
	MaxEdits     = 1000
	MaxFileBytes = 64 << 20 // bytes that its edits change
)

const maxNameLength = 120 // bytes

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
	data, err := read(path)
	if err != nil {
		return nil, err
	}
	return Parse(path, data)
}

// read reads a file of at most MaxFileSize.
func read(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("edits file: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, MaxFileSize+1))
	if err != nil {
		return nil, fmt.Errorf("edits file: %w", err)
	}
	if len(data) > MaxFileSize {
		return nil, fmt.Errorf("edits file %s: more than the %d bytes that are read; split it", path, MaxFileSize)
	}
	return data, nil
}

// Parse reads an edits file from memory; name is used in messages. The error
// lists every mistake with line and key. Only text that is no TOML, and values
// of a wrong type, stop at the first.
func Parse(name string, data []byte) (*File, error) {
	var raw fileTOML
	decoder := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := decoder.Decode(&raw); err != nil {
		return nil, syntaxError(name, err)
	}
	var found problems
	file := raw.check(found.add)
	if err := found.err(name, data); err != nil {
		return nil, err
	}
	file.Path = name
	return file, nil
}

// maxProblems is how many mistakes of a file are reported.
const maxProblems = 50

// problems are mistakes by key, in which entries of lists are counted from 1,
// as in region maps.
type problems struct {
	list []problem
	more int
}

type problem struct{ key, text string }

func (p *problems) add(key, format string, args ...any) {
	if len(p.list) == maxProblems {
		p.more++
		return
	}
	p.list = append(p.list, problem{key, fmt.Sprintf(format, args...)})
}

func (p *problems) err(name string, data []byte) error {
	if len(p.list) == 0 {
		return nil
	}
	lines := indexLines(data)
	var all []error
	for _, q := range p.list {
		all = append(all, fmt.Errorf("%s:%d: %s: %s", name, lines.of(q.key), q.key, q.text))
	}
	if p.more > 0 {
		all = append(all, fmt.Errorf("%s: and %d mistakes more", name, p.more))
	}
	return errors.Join(all...)
}

type report func(key, format string, args ...any)

func (raw fileTOML) check(bad report) *File {
	file := &File{}
	if raw.Format != 1 {
		bad("format", "this program reads format 1, not %d", raw.Format)
	}
	if len(raw.Edits) > MaxEdits {
		bad(fmt.Sprintf("edit[%d]", MaxEdits+1), "a file holds at most %d edits; split it", MaxEdits)
		return file
	}
	seen := map[string]int{}
	var total uint64
	for i, e := range raw.Edits {
		key := fmt.Sprintf("edit[%d]", i+1)
		if err := checkName(e.Name); err != nil {
			bad(key+".name", "%v", err)
		}
		if first, twice := seen[e.Name]; twice {
			bad(key+".name", "%q is already the name of edit[%d]; every edit needs a name of its own", clip(e.Name), first)
		} else {
			seen[e.Name] = i + 1
		}
		edit := e.check(key, bad)
		total += edit.size()
		file.Edits = append(file.Edits, edit)
	}
	if total > MaxFileBytes {
		bad("edit", "the edits change %d bytes in all; a file may describe %d, so split it", total, MaxFileBytes)
	}
	return file
}

func (e editTOML) check(key string, bad report) Edit {
	edit := Edit{Name: e.Name, Note: e.Note, Cells: e.Cells}
	if len(e.Stretches) == 0 {
		bad(key, "no stretch: an edit changes at least one byte")
	}
	changes := 0
	for k, s := range e.Stretches {
		changes += len(s.Changes)
		edit.Stretches = append(edit.Stretches, s.check(fmt.Sprintf("%s.stretch[%d]", key, k+1), bad))
	}
	if size := edit.size(); changes > MaxChanges || size > MaxBytes {
		bad(key, "%d changes of %d bytes in all are more than one edit may have (%d changes, %d bytes)", changes, size, MaxChanges, MaxBytes)
	}
	return edit
}

// size returns the number of bytes an edit changes.
func (e Edit) size() uint64 {
	var n uint64
	for _, s := range e.Stretches {
		for _, c := range s.Changes {
			n += min(c.Range.Size, MaxBytes) // a longer one is a mistake of its own
		}
	}
	return n
}

func syntaxError(name string, err error) error {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) {
		var all []error
		seen := map[string]bool{} // [[region]] stands in a map as often as there are regions
		for _, e := range strict.Errors {
			row, column := e.Position()
			key := strings.Join(e.Key(), ".")
			if !seen[key] {
				all = append(all, fmt.Errorf("%s:%d:%d: unknown key %q; an edits file holds format and [[edit]]", name, row, column, key))
			}
			seen[key] = true
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

func (s stretchTOML) check(key string, bad report) Stretch {
	out := Stretch{Lead: s.Lead.check(key+".lead", bad), Trail: s.Trail.check(key+".trail", bad)}
	if len(s.Changes) == 0 {
		bad(key, "no change: a stretch changes at least one byte")
	}
	for i, c := range s.Changes {
		where := fmt.Sprintf("%s.change[%d]", key, i+1)
		change := c.check(where, bad)
		if n := len(out.Changes); n > 0 && change.Range.Size > 0 && out.Changes[n-1].Range.Size > 0 {
			switch prev := out.Changes[n-1].Range; {
			case change.Range.Start <= prev.Last() || change.Range.Start-prev.Last() == 1:
				bad(where+".range", "%s does not lie clear after %s; list changes by address, apart from one another", change.Range, prev)
			case change.Range.Start-prev.Last()-1 > joinGap:
				bad(where+".range", "%s lies more than %d bytes after %s; it needs a stretch of its own", change.Range, joinGap, prev)
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
	if out.Before.SHA256 == out.After.SHA256 && out.After.SHA256 != [sha256.Size]byte{} {
		bad(key, "the bytes before and after are the same")
	}
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
