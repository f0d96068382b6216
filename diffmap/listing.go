package diffmap

import (
	"fmt"
	"strings"

	"example.com/calproof/maps"
)

// Listing writes what b's map decodes as text, one fact a line, so that two
// listings can be compared as text: first the identity fields, then every table
// with its axes and cells, all in map order. Each line says by itself what it
// is about.
func Listing(b *maps.Bound) string {
	var out strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&out, format+"\n", args...) }
	for _, v := range b.Identity() {
		if v.Problem != "" {
			line("identity %q: %s, %s", v.Name, quoted(v.Value), v.Problem)
		} else {
			line("identity %q: %s", v.Name, quoted(v.Value))
		}
	}
	for _, t := range b.Tables() {
		if t.Problem != "" {
			line("table %q: %s", t.Name, t.Problem)
			continue
		}
		for _, a := range []struct {
			name string
			axis *maps.Axis
		}{{"x", t.X}, {"y", t.Y}} {
			if a.axis == nil {
				continue
			}
			for i, v := range a.axis.Values {
				line("table %q, axis %s, point %d: %s", t.Name, a.name, i+1, withUnit(FormatAxis(v), a.axis.Unit))
			}
		}
		for i, c := range t.Cells {
			outside := ""
			if c.Outside {
				outside = ", outside the limits " + FormatLimits(t)
			}
			line("table %q, %s: %s%s", t.Name, cellPosition(t, i), FormatCell(t, i), outside)
		}
	}
	return out.String()
}

// cellPosition names a cell by its place and not by its axes: in a listing the
// axes have lines of their own, and a moved axis must not change every cell.
func cellPosition(t maps.TableValue, cell int) string {
	t.X, t.Y = nil, nil
	return CellName(t, cell)
}
