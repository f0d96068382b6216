package report

import (
	"fmt"
	"math"
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// A changed table as a heat map in characters: a column a point of x, a row a
// point of y, in each cell the change in physical units and a shade by its share
// of the largest change. The sign and the shade say it, colour is not needed.
//
//	           -30     -20    -10  % slope
//	  1          ·       ·      ·
//	  3     -1.0 ▒  -1.5 ▓      ·
//	  4     -2.0 █  -2.0 █      ·
//	gear

const (
	heatRows  = 16 // rows drawn
	heatCells = 2  // cells a table must have to be drawn: one value needs no map
)

// shades are the marks of a change by its share of the largest: a quarter, a
// half, three quarters, all; then the mark of a cell that did not change.
var (
	shades      = [5]string{"░", "▒", "▓", "█", "·"}
	shadesASCII = [5]string{"'", ":", "*", "#", "."}
)

// heatMap draws the differences of t if before and after have the same shape.
func (p *printer) heatMap(t diffmap.TableChange) {
	a, b := t.After, t.Before
	if len(a.Cells) < heatCells || len(a.Cells) != len(b.Cells) || a.Cols <= 0 || a.Cols != b.Cols || len(t.Cells) == 0 {
		return
	}
	marks := shades
	if p.ascii {
		marks = shadesASCII
	}
	decimals := enoughDecimals(a, b)
	largest := 0.0
	for _, d := range t.Deltas {
		if d != nil {
			largest = max(largest, math.Abs(*d))
		}
	}
	text := make(map[int]string, len(t.Cells))
	for i, cell := range t.Cells {
		text[cell] = heatCell(t.Deltas[i], largest, decimals, marks)
	}
	head := make([]string, a.Cols)
	cellWidth := 1
	for c := range head {
		head[c] = axisPoint(a.X, c)
		cellWidth = max(cellWidth, width(head[c]))
	}
	for _, s := range text {
		cellWidth = max(cellWidth, width(s))
	}
	side, sideWidth := rowHeads(a)
	xUnit := unitOf(a.X, "column")
	const indent, gap = 4, 2
	room := (p.width - indent - sideWidth - gap - width(xUnit)) / (cellWidth + gap)
	cols := window(a.Cols, max(1, room), t.Cells, func(cell int) int { return cell % a.Cols })
	rows := window(len(a.Cells)/a.Cols, heatRows, t.Cells, func(cell int) int { return cell / a.Cols })

	line := right("", sideWidth)
	for c := cols.from; c < cols.to; c++ {
		line += strings.Repeat(" ", gap) + left(head[c], cellWidth)
	}
	p.line(indent, "%s  %s", line, xUnit)
	for r := rows.from; r < rows.to; r++ {
		line := right(side[r], sideWidth)
		for c := cols.from; c < cols.to; c++ {
			cell, changed := text[r*a.Cols+c]
			if !changed {
				cell = marks[4]
			}
			line += strings.Repeat(" ", gap) + left(cell, cellWidth)
		}
		p.line(indent, "%s", line)
	}
	if a.Y != nil {
		p.line(indent, "%s", unitOf(a.Y, "row"))
	}
	p.heatLegend(largest, decimals, a.Unit, marks)
	p.cropped(cols, rows, a, t.Cells)
}

func (p *printer) heatLegend(largest float64, decimals int, unit string, marks [5]string) {
	if largest == 0 {
		return
	}
	p.wrap(4, 6, "%s change of up to a quarter of %s, %s a half, %s three quarters, %s more; %s none",
		marks[0], strings.TrimSpace(diffmap.FormatNumber(largest, decimals)+" "+unit), marks[1], marks[2], marks[3], marks[4])
}

// cropped says what of a table was not drawn.
func (p *printer) cropped(cols, rows drawn, t maps.TableValue, cells []int) {
	if cols.all && rows.all {
		return
	}
	hidden := 0
	for _, cell := range cells {
		if !cols.has(cell%t.Cols) || !rows.has(cell/t.Cols) {
			hidden++
		}
	}
	what := "every changed cell is"
	if hidden > 0 {
		what = fmt.Sprintf("%s not", evidence.Count(uint64(hidden), "changed cell"))
	}
	p.wrap(4, 6, "drawn: columns %d to %d of %d, rows %d to %d of %d; %s among them",
		cols.from+1, cols.to, t.Cols, rows.from+1, rows.to, len(t.Cells)/t.Cols, what)
}

// drawn is the part of an axis that is drawn: indexes from (included) to
// (excluded).
type drawn struct {
	from, to int
	all      bool
}

func (s drawn) has(i int) bool { return i >= s.from && i < s.to }

// window chooses at most room of n places so that the first changed one is drawn,
// and what follows it.
func window(n, room int, cells []int, place func(cell int) int) drawn {
	if n <= room {
		return drawn{0, n, true}
	}
	first := n
	for _, cell := range cells {
		first = min(first, place(cell))
	}
	from := min(first, n-room)
	return drawn{from, from + room, false}
}

func heatCell(d *float64, largest float64, decimals int, marks [5]string) string {
	switch {
	case d == nil:
		return "? " + marks[3] // one of the two is no number
	case largest == 0:
		return signed(*d, decimals)
	}
	step := min(len(marks)-2, int(math.Abs(*d)/largest*4))
	if step > 0 && math.Abs(*d)/largest*4 == float64(step) {
		step-- // exactly a quarter is still a quarter
	}
	return signed(*d, decimals) + " " + marks[step]
}

func rowHeads(t maps.TableValue) (heads []string, widest int) {
	for r := range len(t.Cells) / t.Cols {
		s := ""
		if t.Y != nil {
			s = axisPoint(t.Y, r)
		}
		heads = append(heads, s)
		widest = max(widest, width(s))
	}
	if t.Y != nil {
		widest = max(widest, 1)
	}
	return heads, widest
}

func axisPoint(a *maps.Axis, i int) string {
	if a == nil || i >= len(a.Values) {
		return fmt.Sprint(i + 1)
	}
	return diffmap.FormatAxis(a.Values[i])
}

func unitOf(a *maps.Axis, word string) string {
	if a == nil || a.Unit == "" {
		return word
	}
	return clip(a.Unit, 24)
}

// left pads s on its left to n columns.
func left(s string, n int) string { return strings.Repeat(" ", max(0, n-width(s))) + s }

// right pads s on its right to n columns.
func right(s string, n int) string { return s + strings.Repeat(" ", max(0, n-width(s))) }
