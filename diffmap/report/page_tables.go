package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// tableView is one changed calibration table.
type tableView struct {
	ID      string
	Name    string
	Where   string
	Unit    string
	Summary string
	Limits  string // "" if the map declares none
	Problem string
	Scalar  *scalarView
	Panels  []panelView // change, before, after
	Chart   *chartView
	Steps   []stepView // what the shades of the change panel mean
	LeftOut string
}

type scalarView struct{ Before, After, Change, Unit string }

type panelView struct {
	Title   string
	Caption string
	Corner  string
	Columns []string
	Rows    []panelRow
	HasRows bool // rows have an axis value
	Heat    bool
}

type panelRow struct {
	Head  string
	Cells []panelCell
}

type panelCell struct {
	Text    string
	Class   string // step of the heat map, or "changed"
	Outside bool   // outside the limits the map declares
}

type stepView struct{ Class, Text string }

// chartView is a line chart in a box 320 wide and 200 high, so that its text
// stays readable on a narrow screen.
type chartView struct {
	Summary       string
	Before, After string // polyline points
	Dots, Rings   []dotView
	XTicks        []tickView
	YTicks        []tickView
	XTitle        string
	YTitle        string
}

type dotView struct{ X, Y float64 }
type tickView struct {
	At   float64
	Text string
}

const (
	maxCells  = 1024 // cells of a table that are shown
	heatSteps = 4
)

func newTableView(i int, c diffmap.TableChange) tableView {
	b, a := c.Before, c.After
	v := tableView{
		ID: fmt.Sprintf("table-%d", i+1), Name: clip(a.Name, maxName), Unit: clip(a.Unit, 24), Where: a.Range.String(),
	}
	if a.Region != "" {
		v.Where += ", " + clip(a.Region, maxName)
	}
	if a.Problem != "" || b.Problem != "" || len(a.Cells) != len(b.Cells) || a.Rows != b.Rows || a.Cols != b.Cols {
		v.Problem = clip(firstOf(a.Problem, b.Problem, "the two images give this table different shapes"), maxText)
		return v
	}
	b.Decimals = enoughDecimals(b, a)
	a.Decimals = b.Decimals
	c.Before, c.After = b, a
	v.Summary = tableSummary(c)
	if a.Min != nil || a.Max != nil {
		v.Limits = clip(diffmap.FormatLimits(a), maxText)
	}
	if len(a.Cells) == 1 {
		v.Scalar = &scalarView{
			Before: diffmap.FormatNumber(b.Cells[0].Value, b.Decimals), After: diffmap.FormatNumber(a.Cells[0].Value, a.Decimals),
			Change: signed(a.Cells[0].Value-b.Cells[0].Value, a.Decimals), Unit: v.Unit,
		}
		return v
	}
	changed := make(map[int]bool, len(c.Cells))
	for _, k := range c.Cells {
		changed[k] = true
	}
	var rows []int
	rows, v.LeftOut = shownRows(a, c.Cells)
	largest := 0.0
	for k := range a.Cells {
		if d := math.Abs(a.Cells[k].Value - b.Cells[k].Value); !math.IsNaN(d) && !math.IsInf(d, 0) {
			largest = max(largest, d)
		}
	}
	v.Panels = []panelView{
		panel("Change", a, rows, func(k int) panelCell {
			d := a.Cells[k].Value - b.Cells[k].Value
			if !changed[k] {
				return panelCell{Text: "·"}
			}
			return panelCell{Text: signed(d, a.Decimals), Class: heatClass(d, largest)}
		}),
		panel("Before", b, rows, func(k int) panelCell { return valueCell(b, k, changed[k]) }),
		panel("After", a, rows, func(k int) panelCell { return valueCell(a, k, changed[k]) }),
	}
	v.Panels[0].Heat = true
	var shaded []panelCell
	for _, r := range v.Panels[0].Rows {
		shaded = append(shaded, r.Cells...)
	}
	v.Steps = heatLegend(shaded, largest, a.Decimals, v.Unit)
	if a.Rows == 1 && len(a.Cells) <= maxCells {
		v.Chart = newChart(b, a)
	}
	return v
}

// shownRows returns the rows of a table that are shown: all, or of a table that
// is too large those that changed, as many as fit. note says what is missing.
func shownRows(t maps.TableValue, cells []int) (rows []int, note string) {
	if t.Cols <= 0 {
		return nil, ""
	}
	if t.Rows*t.Cols <= maxCells {
		for r := range t.Rows {
			rows = append(rows, r)
		}
		return rows, ""
	}
	for _, k := range cells {
		if r := k / t.Cols; len(rows) == 0 || rows[len(rows)-1] != r { // cells ascend
			rows = append(rows, r)
		}
	}
	most := max(1, maxCells/t.Cols)
	if more := len(rows) - most; more > 0 {
		return rows[:most], evidence.Sprintf("%d of %d rows are shown; %d more have changes.", most, t.Rows, more)
	}
	return rows, evidence.Sprintf("%d of %d rows are shown: those with a change.", len(rows), t.Rows)
}

// enoughDecimals returns how many digits after the point every cell of both
// tables needs, no more than their scale makes meaningful.
func enoughDecimals(tables ...maps.TableValue) int {
	need := 0
	for _, t := range tables {
		for _, c := range t.Cells {
			text := diffmap.FormatNumber(c.Value, t.Decimals)
			if _, fraction, ok := strings.Cut(text, "."); ok {
				need = max(need, len(strings.TrimRight(fraction, "0")))
			}
		}
	}
	return need
}

func firstOf(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}

func tableSummary(c diffmap.TableChange) string {
	low, high := math.Inf(1), math.Inf(-1)
	outside := 0
	for _, k := range c.Cells {
		d := c.After.Cells[k].Value - c.Before.Cells[k].Value
		low, high = min(low, d), max(high, d)
		if c.After.Cells[k].Outside {
			outside++
		}
	}
	unit := clip(c.After.Unit, 24)
	text := fmt.Sprintf("%s of %s changed", evidence.Thousands(uint64(len(c.Cells))), evidence.Count(uint64(len(c.After.Cells)), "cell"))
	if len(c.Cells) > 0 {
		lo, hi := signed(low, c.After.Decimals), signed(high, c.After.Decimals)
		if lo == hi && len(c.Cells) == 1 {
			text += " by " + lo + " " + unit
		} else if lo == hi {
			text += ", each by " + lo + " " + unit
		} else {
			text += ", by " + lo + " to " + hi + " " + unit
		}
	}
	if outside > 0 {
		text += fmt.Sprintf("; %s outside the limits of the map", evidence.Count(uint64(outside), "changed cell"))
	}
	if c.AxesChanged {
		text += "; an axis changed as well"
	}
	return text + "."
}

func panel(title string, t maps.TableValue, rows []int, cell func(k int) panelCell) panelView {
	v := panelView{Title: title, HasRows: t.Y != nil && t.Rows > 1}
	if t.X != nil {
		for _, x := range t.X.Values {
			v.Columns = append(v.Columns, diffmap.FormatAxis(x))
		}
	}
	switch {
	case t.X != nil && t.Y != nil:
		v.Corner = unitOr(t.Y.Unit, "row") + " \\ " + unitOr(t.X.Unit, "column")
	case t.X != nil:
		v.Corner = unitOr(t.X.Unit, "column")
	}
	for _, r := range rows {
		row := panelRow{}
		if t.Y != nil && r < len(t.Y.Values) {
			row.Head = diffmap.FormatAxis(t.Y.Values[r])
		} else if t.X != nil {
			row.Head = unitOr(t.Unit, "value")
		}
		for c := range t.Cols {
			row.Cells = append(row.Cells, cell(r*t.Cols+c))
		}
		v.Rows = append(v.Rows, row)
	}
	return v
}

func unitOr(unit, word string) string {
	if unit == "" {
		return word
	}
	return clip(unit, 24)
}

func valueCell(t maps.TableValue, k int, changed bool) panelCell {
	c := panelCell{Text: diffmap.FormatNumber(t.Cells[k].Value, t.Decimals), Outside: t.Cells[k].Outside}
	if changed {
		c.Class = "changed"
	}
	return c
}

// heatClass gives the shade of a difference: up1 to up4, down1 to down4, by
// its share of the largest difference in the table.
func heatClass(d, largest float64) string {
	if largest == 0 || d == 0 || math.IsNaN(d) {
		return "same"
	}
	step := min(heatSteps, max(1, int(math.Ceil(math.Abs(d)/largest*heatSteps))))
	if d > 0 {
		return "up" + strconv.Itoa(step)
	}
	return "down" + strconv.Itoa(step)
}

// heatLegend explains the shades that the table uses.
func heatLegend(cells []panelCell, largest float64, decimals int, unit string) []stepView {
	used := map[string]bool{}
	for _, c := range cells {
		used[c.Class] = true
	}
	var out []stepView
	add := func(way string, sign float64, step int) {
		class := way + strconv.Itoa(step)
		word := map[bool]string{true: "up to ", false: "down to "}[sign > 0]
		if used[class] {
			// A quarter of the largest change may need digits that a cell does not.
			limit := sign * largest * float64(step) / heatSteps
			out = append(out, stepView{class, word + strings.TrimSpace(signed(limit, fewest(limit, decimals+2))+" "+unit)})
		}
	}
	for step := heatSteps; step >= 1; step-- {
		add("down", -1, step)
	}
	for step := 1; step <= heatSteps; step++ {
		add("up", 1, step)
	}
	return out
}

// fewest returns how many digits after the point v needs, at most most.
func fewest(v float64, most int) int {
	text := strings.TrimRight(strconv.FormatFloat(v, 'f', most, 64), "0")
	if _, fraction, ok := strings.Cut(text, "."); ok {
		return len(fraction)
	}
	return 0
}

func newChart(before, after maps.TableValue) *chartView {
	xs, xUnit := chartX(after)
	const left, right, top, bottom = 44.0, 312.0, 20.0, 158.0
	xLow, xHigh := bounds(xs)
	yLow, yHigh := bounds(append(values(before), values(after)...))
	if math.IsInf(xLow, 0) || math.IsInf(yLow, 0) {
		return nil
	}
	ticks, yLow, yHigh := niceTicks(yLow, yHigh, 5)
	px := func(x float64) float64 { return round1(left + (x-xLow)/(xHigh-xLow)*(right-left)) }
	py := func(y float64) float64 { return round1(bottom - (y-yLow)/(yHigh-yLow)*(bottom-top)) }
	c := &chartView{XTitle: xUnit, YTitle: clip(after.Unit, 24)}
	line := func(t maps.TableValue) (string, []dotView) {
		points, dots := "", []dotView(nil)
		for i, cell := range t.Cells {
			d := dotView{px(xs[i]), py(cell.Value)}
			dots = append(dots, d)
			points += fmt.Sprintf("%g,%g ", d.X, d.Y)
		}
		return points, dots
	}
	c.Before, c.Rings = line(before)
	c.After, c.Dots = line(after)
	for _, t := range ticks {
		c.YTicks = append(c.YTicks, tickView{py(t), diffmap.FormatAxis(t)})
	}
	last := math.Inf(-1)
	for _, x := range xs {
		if at := px(x); at-last >= 24 {
			c.XTicks = append(c.XTicks, tickView{at, diffmap.FormatAxis(x)})
			last = at
		}
	}
	c.Summary = fmt.Sprintf("Line chart of %s before (dashed, rings) and after (solid, dots) over %s; the tables have the numbers.", clip(after.Name, maxName), unitOr(xUnit, "position"))
	return c
}

func chartX(t maps.TableValue) ([]float64, string) {
	if t.X != nil && len(t.X.Values) == len(t.Cells) {
		return t.X.Values, clip(t.X.Unit, 24)
	}
	xs := make([]float64, len(t.Cells))
	for i := range xs {
		xs[i] = float64(i)
	}
	return xs, "position"
}

func values(t maps.TableValue) []float64 {
	out := make([]float64, len(t.Cells))
	for i, c := range t.Cells {
		out[i] = c.Value
	}
	return out
}

// bounds returns the least and the greatest finite value, kept apart so that
// a flat line can be drawn; infinities if there is none or one is not finite.
func bounds(vs []float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range vs {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return math.Inf(1), math.Inf(-1)
		}
		low, high = min(low, v), max(high, v)
	}
	if low == high {
		low, high = low-1, high+1
	}
	return low, high
}

// niceTicks widens low and high to multiples of 1, 2 or 5 times a power of
// ten and returns about n steps between them.
func niceTicks(low, high float64, n int) ([]float64, float64, float64) {
	raw := (high - low) / float64(n)
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * power
	for _, m := range []float64{1, 2, 5} {
		if raw <= m*power {
			step = m * power
			break
		}
	}
	first, last := math.Floor(low/step), math.Ceil(high/step)
	var ticks []float64
	for k := first; k <= last; k++ {
		ticks = append(ticks, k*step)
	}
	return ticks, first * step, last * step
}
