package maps

import (
	"bytes"
	"cmp"
	"fmt"
	"os"
	"slices"
	"strings"
)

// MaxMapBytes is the largest map file [Load] and [Parse] accept.
const MaxMapBytes = 4 << 20

// Load reads and validates the map file at path. A file that cannot be read
// gives the error of package os; mistakes in it give a *[MapError] that lists
// them all.
func Load(path string) (*Map, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("region map: %w", err)
	}
	if info.IsDir() {
		return nil, fmt.Errorf("region map: %s is a folder; name a file in it", path)
	}
	if info.Size() > MaxMapBytes {
		return nil, &MapError{[]Problem{{File: path, Line: 1, Column: 1,
			Message: fmt.Sprintf("the file has %d bytes, more than the %d a region map may have; is it a map?", info.Size(), MaxMapBytes)}}}
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("region map: %w", err)
	}
	m, err := Parse(path, data)
	if err != nil {
		return nil, err
	}
	m.Path = path
	return m, nil
}

// Parse reads and validates a map. The name stands for the file in messages.
// The error, if any, is a *[MapError] that lists every mistake, up to
// [MaxProblems].
func Parse(name string, data []byte) (*Map, error) {
	p := newProblems(name, data)
	if len(data) > MaxMapBytes {
		p.data = nil
		p.at(0, "", "the map has %d bytes, more than the %d a region map may have", len(data), MaxMapBytes)
		return nil, p.err()
	}
	if p.data = plainText(data, p); p.data == nil {
		return nil, p.err()
	}
	data = p.data
	root := parseTOML(data, p)
	if root == nil {
		return nil, p.err()
	}
	m := &Map{}
	m.Image.Erased = 0xFF
	p.decode(root, m)
	validate(m, p)
	confirm(data, p)
	if err := p.err(); err != nil {
		return nil, err
	}
	return m, nil
}

// byteOrderMark is what some editors put before UTF-8 text.
const byteOrderMark = "\xEF\xBB\xBF"

// plainText returns the text of a map as TOML wants it. TOML knows no byte
// order mark; blanks in its place leave every column where an editor that
// counts bytes has it. Text in UTF-16 gives nil and a problem that says so.
func plainText(data []byte, p *problems) []byte {
	switch {
	case bytes.HasPrefix(data, []byte(byteOrderMark)):
		return append([]byte("   "), data[len(byteOrderMark):]...)
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE}), bytes.HasPrefix(data, []byte{0xFE, 0xFF}):
		p.data = nil
		p.at(0, "", "the file is UTF-16 text, which some shells write for > and some editors save; save it as UTF-8")
		return nil
	}
	return data
}

// MapError lists every mistake of a map, in the order of the file.
type MapError struct{ Problems []Problem }

// Error gives one line a problem.
func (e *MapError) Error() string {
	lines := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// Problem is one mistake, at a 1-based line and a 1-based column, counted in bytes.
type Problem struct {
	File         string
	Line, Column int
	Key          string // dotted; an entry of a list has its number, counted from 1: "region[2].range"
	Message      string
}

// String gives "file:line:column: key: message", the form editors jump to.
func (p Problem) String() string {
	file := p.File
	if file == "" {
		file = "region map"
	}
	if p.Key == "" {
		return fmt.Sprintf("%s:%d:%d: %s", file, p.Line, p.Column, p.Message)
	}
	return fmt.Sprintf("%s:%d:%d: %s: %s", file, p.Line, p.Column, p.Key, p.Message)
}

// err returns the problems in the order of the file, or nil if there are none.
func (p *problems) err() error {
	if len(p.list) == 0 {
		return nil
	}
	slices.SortStableFunc(p.list, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	list := slices.Compact(p.list)
	if p.more > 0 {
		last := list[len(list)-1]
		list = append(list, Problem{File: p.file, Line: last.Line, Column: last.Column,
			Message: fmt.Sprintf("%d more mistakes are not listed", p.more)})
	}
	return &MapError{list}
}
