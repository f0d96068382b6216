package edits

import (
	"bytes"
	"strconv"

	"github.com/pelletier/go-toml/v2/unstable"
)

// lineIndex tells on which line of an edits file a key stands. The decoder
// keeps no places, so the file is read once more when there is a mistake to
// report.
type lineIndex map[string]int // key such as edit[1].stretch[2].lead -> 1-based line

func indexLines(data []byte) lineIndex {
	index := lineIndex{}
	count := map[string]int{} // tables of each list seen so far
	line, counted := 1, 0
	lineAt := func(offset int) int { // offsets only grow
		line += bytes.Count(data[counted:max(offset, counted)], []byte("\n"))
		counted = max(offset, counted)
		return line
	}
	var prefix string
	var p unstable.Parser
	p.Reset(data)
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.ArrayTable, unstable.Table:
			path, at := "", 0
			for keys := e.Key(); keys.Next(); {
				path, at = join(path, string(keys.Node().Data)), int(keys.Node().Raw.Offset)
				switch n := count[path]; {
				case keys.IsLast() && e.Kind == unstable.ArrayTable:
					count[path] = n + 1
					path += "[" + strconv.Itoa(n+1) + "]"
				case n > 0:
					path += "[" + strconv.Itoa(n) + "]"
				}
			}
			prefix = path
			index[prefix] = lineAt(at)
		case unstable.KeyValue:
			index.add(prefix, e, lineAt)
		}
	}
	return index
}

func (x lineIndex) add(prefix string, e *unstable.Node, lineAt func(int) int) {
	path, at := prefix, 0
	for keys := e.Key(); keys.Next(); {
		path, at = join(path, string(keys.Node().Data)), int(keys.Node().Raw.Offset)
	}
	x[path] = lineAt(at)
	if value := e.Value(); value.Kind == unstable.InlineTable {
		for children := value.Children(); children.Next(); {
			if child := children.Node(); child.Kind == unstable.KeyValue {
				x.add(path, child, lineAt)
			}
		}
	}
}

// of returns the line of key, or of the table it is missing from.
func (x lineIndex) of(key string) int {
	for key != "" {
		if line, ok := x[key]; ok {
			return line
		}
		key = key[:max(0, lastDot(key))]
	}
	return 1
}

func lastDot(key string) int {
	for i := len(key) - 1; i >= 0; i-- {
		if key[i] == '.' {
			return i
		}
	}
	return 0
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}
