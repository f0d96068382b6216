package report

import (
	"fmt"
	"math"

	"example.com/calproof/diffmap"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// shownCells is how many cells of one table the text form lists. JSON has all.
const shownCells = 24

func tableTitle(t maps.TableValue) string {
	if t.Unit == "" {
		return t.Name
	}
	return fmt.Sprintf("%s, %s", t.Name, t.Unit)
}

func shape(t maps.TableValue) string {
	switch {
	case len(t.Cells) == 1 && t.X == nil:
		return "one value"
	case t.Y == nil && t.Rows <= 1:
		return evidence.Count(uint64(t.Cols), "cell")
	}
	return fmt.Sprintf("%d x %d cells", t.Rows, t.Cols)
}

// tables writes decoded tables with their span of values.
func (p *printer) tables(list []maps.TableValue) {
	if len(list) == 0 {
		return
	}
	p.heading("Tables")
	var rows [][]string
	for _, t := range list {
		switch {
		case t.Problem != "":
			rows = append(rows, []string{t.Name, "-", t.Problem})
		default:
			rows = append(rows, []string{t.Name, shape(t), span(t)})
		}
	}
	p.columns(2, "lll", rows)
}

// span writes the least and the greatest value of a table.
func span(t maps.TableValue) string {
	if len(t.Cells) == 0 {
		return "no cell"
	}
	least, most := 0, 0
	for i, c := range t.Cells {
		if c.Value < t.Cells[least].Value || math.IsNaN(t.Cells[least].Value) {
			least = i
		}
		if c.Value > t.Cells[most].Value || math.IsNaN(t.Cells[most].Value) {
			most = i
		}
	}
	if t.Cells[least].Value == t.Cells[most].Value {
		return diffmap.FormatCell(t, least)
	}
	return diffmap.FormatNumber(t.Cells[least].Value, t.Decimals) + " to " + diffmap.FormatCell(t, most)
}

// tableChanges writes every changed table: its cells before and after, and the
// change.
func (p *printer) tableChanges(list []diffmap.TableChange) {
	if len(list) == 0 {
		return
	}
	p.heading("Tables")
	for i, t := range list {
		if i > 0 {
			p.line(0, "")
		}
		p.tableChange(t)
	}
}

func (p *printer) tableChange(t diffmap.TableChange) {
	p.wrap(2, 4, "%s: %d of %s changed", tableTitle(t.After), len(t.Cells), evidence.Count(uint64(len(t.After.Cells)), "cell"))
	for _, side := range []struct{ when, problem string }{{"before", t.Before.Problem}, {"after", t.After.Problem}} {
		if side.problem != "" {
			p.wrap(4, 6, "%s: could not be decoded: %s", side.when, side.problem)
		}
	}
	if t.AxesChanged {
		p.axisChange("x", t.Before.X, t.After.X)
		p.axisChange("y", t.Before.Y, t.After.Y)
		if t.Before.Rows != t.After.Rows || t.Before.Cols != t.After.Cols {
			p.line(4, "shape: %d x %d -> %d x %d", t.Before.Rows, t.Before.Cols, t.After.Rows, t.After.Cols)
		}
	}
	p.heatMap(t)
	var rows [][]string
	for i, cell := range t.Cells[:min(shownCells, len(t.Cells))] {
		before, after, delta, outside := "none", "none", "", ""
		name := ""
		if cell < len(t.Before.Cells) {
			before, name = diffmap.FormatNumber(t.Before.Cells[cell].Value, t.Before.Decimals), diffmap.CellName(t.Before, cell)
		}
		if cell < len(t.After.Cells) {
			after, name = diffmap.FormatNumber(t.After.Cells[cell].Value, t.After.Decimals), diffmap.CellName(t.After, cell)
			if t.After.Cells[cell].Outside {
				outside = "outside its limits"
			}
		}
		if d := t.Deltas[i]; d != nil {
			delta = signed(*d, max(t.Before.Decimals, t.After.Decimals))
		}
		rows = append(rows, []string{name, before, "->", after, delta, outside})
	}
	p.columns(4, "lrlrrl", rows)
	if more := len(t.Cells) - shownCells; more > 0 {
		p.line(4, "and %s", evidence.Count(uint64(more), "more cell"))
	}
}

func signed(v float64, decimals int) string {
	s := diffmap.FormatNumber(v, decimals)
	if v >= 0 {
		return "+" + s
	}
	return s
}

// axisChange lists the points of an axis that changed.
func (p *printer) axisChange(name string, before, after *maps.Axis) {
	if before == nil || after == nil {
		return
	}
	if len(before.Values) != len(after.Values) {
		p.line(4, "axis %s: %d points -> %d points", name, len(before.Values), len(after.Values))
		return
	}
	shown := 0
	for i := range after.Values {
		if before.Values[i] == after.Values[i] {
			continue
		}
		if shown++; shown > shownCells {
			p.line(4, "axis %s: and more", name)
			return
		}
		p.line(4, "axis %s, point %d: %s -> %s %s", name, i+1,
			diffmap.FormatAxis(before.Values[i]), diffmap.FormatAxis(after.Values[i]), after.Unit)
	}
}
