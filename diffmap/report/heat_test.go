package report

import (
	"bytes"
	"encoding/csv"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/diffmap"
	"example.com/calproof/maps"
)

// tableOf makes a changed table of rows x cols, all 10 before; change gives what
// is added to a cell.
func tableOf(rows, cols int, change map[int]float64) diffmap.TableChange {
	points := func(n int) *maps.Axis {
		a := &maps.Axis{Unit: "km/h"}
		for i := range n {
			a.Values = append(a.Values, float64(i)*2.5)
		}
		return a
	}
	c := diffmap.TableChange{Before: maps.TableValue{Name: "t", Unit: "bar", Rows: rows, Cols: cols, X: points(cols), Decimals: 1}}
	if rows > 1 {
		c.Before.Y = points(rows)
	}
	c.After = c.Before
	for i := range rows * cols {
		c.Before.Cells = append(c.Before.Cells, maps.Cell{Value: 10})
		d, changed := change[i]
		c.After.Cells = append(c.After.Cells, maps.Cell{Value: 10 + d})
		if changed {
			c.Cells = append(c.Cells, i)
			if math.IsNaN(d) || math.IsInf(d, 0) {
				c.Deltas = append(c.Deltas, nil)
			} else {
				c.Deltas = append(c.Deltas, &d)
			}
		}
	}
	return c
}

func heatOf(c diffmap.TableChange, width int, ascii bool) string {
	p := &printer{width: width, ascii: ascii}
	p.heatMap(c)
	return p.b.String()
}

func TestHeatMap(t *testing.T) {
	assert.Equal(t, `            0   2.5     5  km/h
    0    +1 '  +2 :     .
    2.5     .  -3 *  +4 #
    km/h
    ' change of up to a quarter of 4 bar, : a half, * three quarters, # more; .
      none
`, heatOf(tableOf(2, 3, map[int]float64{0: 1, 1: 2, 4: -3, 5: 4}), 80, true))
	assert.Contains(t, heatOf(tableOf(1, 3, map[int]float64{0: 1, 1: math.NaN()}), 80, true), "+1 #   ? #     .", "what is no number is marked")
	assert.Empty(t, heatOf(tableOf(1, 1, map[int]float64{0: 1}), 80, true), "one value needs no map")
}

// A large table is cropped to what changed, and says so.
func TestHeatMapCropped(t *testing.T) {
	out := heatOf(tableOf(64, 64, map[int]float64{30*64 + 40: 1.5, 33*64 + 41: -2}), 80, false)
	assert.Contains(t, out, "+1.5 ▓")
	assert.Contains(t, out, "-2.0 █")
	assert.Regexp(t, `drawn: columns 41 to \d+ of 64, rows 31 to 46 of 64; every changed cell is\s+among them`, out)
	out = heatOf(tableOf(64, 64, map[int]float64{0: 1, 64*64 - 1: 1}), 80, false)
	assert.Regexp(t, `1 changed cell not among\s+them`, out)
}

// Whatever the table, lines stay within the width and no change is invented.
func TestHeatMapWidth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows, cols := rapid.IntRange(1, 70).Draw(t, "rows"), rapid.IntRange(1, 70).Draw(t, "cols")
		change := map[int]float64{}
		for range rapid.IntRange(1, 20).Draw(t, "n") {
			change[rapid.IntRange(0, rows*cols-1).Draw(t, "cell")] = rapid.Float64Range(-9999, 9999).Draw(t, "d")
		}
		c := tableOf(rows, cols, change)
		for line := range strings.Lines(heatOf(c, 80, rapid.Bool().Draw(t, "ascii"))) {
			require.LessOrEqual(t, width(strings.TrimSuffix(line, "\n")), 80, "%s", line)
		}
	})
}

// The CSV is what a general reader makes of it, and hostile text is neither a
// formula nor a line of its own.
func TestCSV(t *testing.T) {
	d := samples()["inspect"].(InspectData)
	d.Identity[0].Value = "=HYPERLINK(\"http://x\")\n,2"
	d.Tables[0].Unit = "-1+2"
	var b bytes.Buffer
	require.NoError(t, d.CSV(&b))
	rows, err := csv.NewReader(&b).ReadAll()
	require.NoError(t, err)
	require.Equal(t, csvHeader, rows[0])
	column := func(row []string, name string) string {
		for i, h := range csvHeader {
			if h == name {
				return row[i]
			}
		}
		t.Fatal(name)
		return ""
	}
	assert.Equal(t, `'=HYPERLINK("http://x")\x0a,2`, column(rows[1], "value"))
	first := rows[1+len(d.Identity)]
	assert.Equal(t, "'-1+2", column(first, "unit"))
	assert.Equal(t, []string{"table", "1", "1", "-20", "degC", "0x70120", "4800", "1200.00"}, []string{column(first, "kind"), column(first, "row"), column(first, "column"),
		column(first, "x"), column(first, "x_unit"), column(first, "address"), column(first, "raw"), column(first, "value")}, "a number keeps its sign")
	cells := 0
	for _, t := range d.Tables {
		cells += max(1, len(t.Cells)) // a table that was not decoded has a line too
	}
	assert.Len(t, rows, 1+len(d.Identity)+cells)
}
