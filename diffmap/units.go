package diffmap

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// FormatNumber writes a physical value with as many digits after the point as
// its scale makes meaningful.
func FormatNumber(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', min(max(decimals, 0), 12), 64)
	if v < 0 && v > -1 { // "-0.00" is a rounding of the formatter, not a value
		if f, err := strconv.ParseFloat(s, 64); err == nil && f == 0 {
			return s[1:]
		}
	}
	return s
}

// FormatAxis writes an axis point with no more digits than it needs, at most 6.
func FormatAxis(v float64) string {
	if math.Abs(v) < 1<<53 { // from there on nothing is left to round, and the product could overflow
		v = math.Round(v*1e6) / 1e6
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// FormatCell writes a cell with its unit.
func FormatCell(t maps.TableValue, cell int) string {
	return withUnit(FormatNumber(t.Cells[cell].Value, t.Decimals), t.Unit)
}

func withUnit(number, unit string) string {
	if unit == "" {
		return number
	}
	return number + " " + unit
}

// quoted puts a decoded text in quotes. Package maps has escaped what cannot be
// shown, and escaping its escapes would only blur them.
func quoted(s string) string {
	if strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return strconv.Quote(s)
	}
	return `"` + s + `"`
}

// FormatLimits writes the limits that the map declares for the cells of t.
func FormatLimits(t maps.TableValue) string {
	switch {
	case t.Min != nil && t.Max != nil:
		return FormatNumber(*t.Min, t.Decimals) + " to " + withUnit(FormatNumber(*t.Max, t.Decimals), t.Unit)
	case t.Min != nil:
		return "from " + withUnit(FormatNumber(*t.Min, t.Decimals), t.Unit)
	case t.Max != nil:
		return "up to " + withUnit(FormatNumber(*t.Max, t.Decimals), t.Unit)
	}
	return "(none)"
}

// CellName says which cell of t is meant, by the values of its axes where it
// has them and by 1-based row and column where not: "x = 80 degC, y = 2000
// 1/min", "row 1, column 3", "the value" for a scalar.
func CellName(t maps.TableValue, cell int) string {
	if len(t.Cells) <= 1 && t.X == nil && t.Y == nil || t.Cols <= 0 {
		return "the value"
	}
	row, col := cell/t.Cols, cell%t.Cols
	x := axisName(t.X, col, "x", "column")
	if t.Rows <= 1 && t.Y == nil {
		return x
	}
	return x + ", " + axisName(t.Y, row, "y", "row")
}

func axisName(a *maps.Axis, i int, axis, position string) string {
	if a == nil || i >= len(a.Values) {
		return fmt.Sprintf("%s %d", position, i+1)
	}
	return axis + " = " + withUnit(FormatAxis(a.Values[i]), a.Unit)
}

// cellRange returns the addresses of one cell: the cells of a table are equally
// wide, so the width is that of the whole table shared out.
func cellRange(t maps.TableValue, cell int) image.Range {
	size := uint64(1)
	if n := uint64(len(t.Cells)); n > 0 && t.Range.Size%n == 0 {
		size = t.Range.Size / n
	}
	return image.Range{Start: t.Cells[cell].Addr, Size: size}
}
