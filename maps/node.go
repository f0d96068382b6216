package maps

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// node is a TOML value with its place in the file. The decoder of go-toml
// stops at the first value of a wrong type and drops the places of all others;
// a map's user is better served by every mistake at once.
type node struct {
	kind     nodeKind
	offset   int    // of the value in the file, for messages
	keyAt    int    // of its key
	text     string // of a scalar: a string's content, or a number as it is written
	keys     []string
	fields   map[string]*node
	items    []*node
	headless bool // a table made by [a.b] before [a] was seen
}

type nodeKind string

const (
	kindTable  nodeKind = "a table"
	kindArray  nodeKind = "a list"
	kindString nodeKind = "a string"
	kindInt    nodeKind = "an integer"
	kindFloat  nodeKind = "a number with a point"
	kindBool   nodeKind = "true or false"
	kindDate   nodeKind = "a date or time"
)

func newTable(at int) *node {
	return &node{kind: kindTable, offset: at, keyAt: at, fields: map[string]*node{}}
}

func (n *node) set(key string, v *node) {
	n.keys = append(n.keys, key)
	n.fields[key] = v
}

// maxDepth is how deep lists and tables of a map may lie in one another. The
// language itself needs 8.
const maxDepth = 32

// parseTOML reads the whole file into a tree. A file that is no TOML gives the
// one problem that stopped the reader.
func parseTOML(data []byte, p *problems) *node {
	root := newTable(0)
	current := root
	var parser unstable.Parser
	parser.Reset(data)
	for parser.NextExpression() {
		e := parser.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			current = openTable(root, e, p)
		case unstable.KeyValue:
			addKeyValue(current, e, 0, p)
		}
	}
	if err := parser.Error(); err != nil {
		at := len(data)
		var pe *unstable.ParserError
		if errors.As(err, &pe) {
			// A highlight is a piece of data, so what its capacity lacks is what lies before it.
			at = min(max(cap(data)-cap(pe.Highlight), 0), len(data))
		}
		p.at(at, "", "not TOML: %s", err)
		return nil
	}
	return root
}

// openTable finds or makes the table a [header] or [[header]] names.
func openTable(root *node, e *unstable.Node, p *problems) *node {
	t := root
	var path []string
	keys := e.Key()
	for keys.Next() {
		k := keys.Node()
		name := string(k.Data)
		path = append(path, name)
		at := int(k.Raw.Offset)
		last := keys.IsLast()
		next := t.fields[name]
		switch {
		case next == nil && last && e.Kind == unstable.ArrayTable:
			item := newTable(at)
			t.set(name, &node{kind: kindArray, offset: at, keyAt: at, items: []*node{item}, headless: true})
			return item
		case next == nil:
			next = newTable(at)
			next.headless = !last
			t.set(name, next)
		case next.kind == kindArray && next.headless:
			if last && e.Kind == unstable.ArrayTable {
				item := newTable(at)
				next.items = append(next.items, item)
				return item
			}
			if last {
				p.at(at, strings.Join(path, "."), "is a list of tables; write [[%s]] for each of them", strings.Join(path, "."))
				return newTable(at)
			}
			next = next.items[len(next.items)-1]
		case next.kind != kindTable || last && !next.headless:
			p.at(at, strings.Join(path, "."), "is given twice")
			return newTable(at)
		case last:
			if e.Kind == unstable.ArrayTable {
				p.at(at, strings.Join(path, "."), "is a table already; write it once, or every time with [[%s]]", strings.Join(path, "."))
				return newTable(at)
			}
			next.headless = false
			next.offset, next.keyAt = at, at
		}
		t = next
	}
	return t
}

func addKeyValue(t *node, e *unstable.Node, depth int, p *problems) {
	keys := e.Key()
	var path []string
	for keys.Next() {
		k := keys.Node()
		name, at := string(k.Data), int(k.Raw.Offset)
		path = append(path, name)
		old := t.fields[name]
		if !keys.IsLast() {
			if old == nil {
				old = newTable(at)
				t.set(name, old)
			}
			if old.kind != kindTable {
				p.at(at, strings.Join(path, "."), "is given twice, once as %s", old.kind)
				return
			}
			t = old
			continue
		}
		if old != nil {
			p.at(at, strings.Join(path, "."), "is given twice")
			return
		}
		v := valueNode(e.Value(), at, depth, p)
		v.keyAt = at
		if v.kind == kindArray {
			v.offset = afterEquals(p.data, at+int(k.Raw.Length))
		}
		t.set(name, v)
	}
}

// afterEquals returns the offset of the value behind the key that ends at an
// offset. The parser says where every value begins, but for lists.
func afterEquals(data []byte, at int) int {
	rest := bytes.TrimLeft(data[at:], " \t")
	rest = bytes.TrimLeft(bytes.TrimPrefix(rest, []byte("=")), " \t")
	return len(data) - len(rest)
}

func valueNode(v *unstable.Node, keyAt, depth int, p *problems) *node {
	at := int(v.Raw.Offset)
	n := &node{offset: at, keyAt: at, text: string(v.Data)}
	switch v.Kind {
	case unstable.String:
		n.kind = kindString
	case unstable.Integer:
		n.kind = kindInt
	case unstable.Float:
		n.kind = kindFloat
	case unstable.Bool:
		n.kind = kindBool
	case unstable.InlineTable:
		n = newTable(at)
		if depth >= maxDepth {
			p.at(at, "", "tables and lists lie more than %d deep in one another", maxDepth)
			return n
		}
		for c := v.Children(); c.Next(); {
			if c.Node().Kind == unstable.KeyValue {
				addKeyValue(n, c.Node(), depth+1, p)
			}
		}
	case unstable.Array:
		n = &node{kind: kindArray, offset: keyAt, keyAt: keyAt}
		if depth >= maxDepth {
			p.at(keyAt, "", "tables and lists lie more than %d deep in one another", maxDepth)
			return n
		}
		for c := v.Children(); c.Next(); {
			if c.Node().Kind != unstable.Comment {
				n.items = append(n.items, valueNode(c.Node(), keyAt, depth+1, p))
			}
		}
	default:
		n.kind = kindDate
	}
	return n
}

// confirm lets go-toml's own decoder judge the file. The tree above follows
// TOML's rules for keys; this makes sure that nothing passes which another
// TOML reader would refuse.
func confirm(data []byte, p *problems) {
	var any map[string]any
	err := toml.Unmarshal(data, &any)
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		if err != nil {
			p.at(0, "", "not TOML: %s", err)
		}
		return
	}
	row, col := de.Position()
	if slices.ContainsFunc(p.list, func(known Problem) bool { return known.Line == row }) {
		return // said already, in the words of this package
	}
	p.add(Problem{File: p.file, Line: row, Column: max(col, 1), Key: strings.Join(de.Key(), "."),
		Message: "not TOML: " + strings.TrimPrefix(de.Error(), "toml: ")})
}

// position turns an offset into a 1-based line and column (in bytes, as
// editors and compilers count them).
func position(data []byte, offset int) (line, col int) {
	before := data[:offset]
	line = bytes.Count(before, []byte("\n")) + 1
	return line, offset - (bytes.LastIndexByte(before, '\n') + 1) + 1
}

// MaxProblems is how many mistakes of a map are listed.
const MaxProblems = 200

// problems collects the mistakes of one file.
type problems struct {
	file  string
	data  []byte
	list  []Problem
	more  int             // mistakes beyond MaxProblems
	bad   map[string]bool // keys with a mistake, and everything around them
	where map[string]int  // key path -> offset of its value
}

func newProblems(file string, data []byte) *problems {
	return &problems{file: file, data: data, bad: map[string]bool{}, where: map[string]int{}}
}

// at reports a mistake at an offset of the file.
func (p *problems) at(offset int, key, format string, args ...any) {
	line, col := position(p.data, offset)
	p.add(Problem{File: p.file, Line: line, Column: col, Key: key, Message: fmt.Sprintf(format, args...)})
}

func (p *problems) add(problem Problem) {
	for key := problem.Key; !p.bad[key]; key = parent(key) {
		p.bad[key] = true
	}
	if len(p.list) == MaxProblems {
		p.more++
		return
	}
	p.list = append(p.list, problem)
}

// key reports a mistake at the value of a key, or at the nearest table around
// it that the file holds.
func (p *problems) key(path, format string, args ...any) {
	near := path
	for near != "" {
		if _, ok := p.where[near]; ok {
			break
		}
		near = parent(near)
	}
	p.at(p.where[near], path, format, args...)
}

// parent returns the key around a key, "" for the whole file.
func parent(key string) string { return key[:max(strings.LastIndexAny(key, ".["), 0)] }

// has reports whether a mistake was found at path or inside it.
func (p *problems) has(path string) bool { return p.bad[path] }

// given reports whether the file has a value at path.
func (p *problems) given(path string) bool {
	_, ok := p.where[path]
	return ok
}

// line returns the line of the value at path.
func (p *problems) line(path string) int {
	line, _ := position(p.data, p.where[path])
	return line
}
