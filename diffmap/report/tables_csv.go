package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/maps"
)

// csvHeader names the columns of [InspectData.CSV].
var csvHeader = []string{"kind", "name", "region", "row", "column", "y", "y_unit", "x", "x_unit", "address", "raw", "value", "unit", "outside", "problem"}

// CSV writes the identity fields and every table cell as comma-separated values
// (RFC 4180, with LF line ends), a header first: for each cell its row and column
// from 1, the axis values where there are axes, its address, the stored number
// and the physical value. A value that is no number stays empty.
//
// Text comes cleaned as everywhere, and text that a spreadsheet would take for a
// formula gets an apostrophe in front: names and identity come from files that
// anyone may have made.
func (d InspectData) CSV(w io.Writer) error {
	out := csv.NewWriter(w)
	rows := [][]string{csvHeader}
	for _, v := range d.Identity {
		rows = append(rows, []string{"identity", csvText(v.Name), "", "", "", "", "", "", "", hexAddr(v.Range.Start), "", csvText(v.Value), "", "", csvText(v.Problem)})
	}
	for _, t := range d.Tables {
		if t.Problem != "" {
			rows = append(rows, []string{"table", csvText(t.Name), csvText(t.Region), "", "", "", "", "", "", hexAddr(t.Range.Start), "", "", csvText(t.Unit), "", csvText(t.Problem)})
			continue
		}
		for i, c := range t.Cells {
			row, col := i/max(t.Cols, 1), i%max(t.Cols, 1)
			y, yUnit := csvAxis(t.Y, row)
			x, xUnit := csvAxis(t.X, col)
			outside := ""
			if c.Outside {
				outside = "outside"
			}
			rows = append(rows, []string{"table", csvText(t.Name), csvText(t.Region), strconv.Itoa(row + 1), strconv.Itoa(col + 1),
				y, yUnit, x, xUnit, hexAddr(c.Addr), strconv.FormatInt(c.Raw, 10), csvNumber(c.Value, t.Decimals), csvText(t.Unit), outside, ""})
		}
	}
	if err := out.WriteAll(rows); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

func hexAddr(a uint64) string { return fmt.Sprintf("0x%X", a) }

func csvAxis(a *maps.Axis, i int) (value, unit string) {
	if a == nil || i >= len(a.Values) {
		return "", ""
	}
	if v := a.Values[i]; !math.IsNaN(v) && !math.IsInf(v, 0) {
		value = diffmap.FormatAxis(v)
	}
	return value, csvText(a.Unit)
}

func csvNumber(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return diffmap.FormatNumber(v, decimals)
}

func csvText(s string) string {
	s = Clean(s)
	if s != "" && strings.ContainsRune("=+-@", rune(s[0])) {
		return "'" + s
	}
	return s
}
