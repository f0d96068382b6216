package diffmap

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

func TestCompareWithMap(t *testing.T) {
	m := smallMap(t)
	original := raw(t, smallImage(nil))
	modified := raw(t, smallImage(edits(setIdle(0, 1300), setIdle(3, 850.25), flip(0x2132), flip(0x2F05))))
	res, err := Compare(original, modified, m, Options{})
	require.NoError(t, err)

	require.Len(t, res.Tables, 2)
	idle := res.Tables[0]
	assert.Equal(t, "idle speed", idle.After.Name)
	assert.Equal(t, []int{0, 3}, idle.Cells)
	assert.False(t, idle.AxesChanged)
	// Worked out by hand: cells are quarters of 1/min.
	assert.Equal(t, 1200.0, idle.Before.Cells[0].Value)
	assert.Equal(t, 1300.0, idle.After.Cells[0].Value)
	assert.Equal(t, 100.0, *idle.Deltas[0])
	assert.Equal(t, -49.75, *idle.Deltas[1])
	torque := res.Tables[1]
	assert.Equal(t, []int{2}, torque.Cells)
	assert.Equal(t, 20.0, torque.Before.Cells[2].Value)
	assert.Equal(t, 4.0, torque.After.Cells[2].Value) // 20 xor 0x10

	require.Len(t, res.Identity, 2)
	assert.False(t, res.Identity[0].Changed)
	assert.True(t, res.Identity[1].Changed)
	assert.Equal(t, "LABEL-A", res.Identity[1].Before.Value)
	assert.Equal(t, "LABEL=A", res.Identity[1].After.Value) // '-' xor 0x10

	require.Len(t, res.Checksums, 2)
	for _, c := range res.Checksums {
		assert.Equal(t, evidence.Pass, c.Before.Verdict)
		assert.Equal(t, evidence.Pass, c.After.Verdict)
	}
	assert.Equal(t, res.Checksums[0].Before.Stored, res.Checksums[0].After.Stored)
	assert.NotEqual(t, res.Checksums[1].Before.Stored, res.Checksums[1].After.Stored)

	changed := res.ChangedIn()
	require.Len(t, changed, 1)
	assert.Equal(t, "values", changed[0].Name)
	assert.Equal(t, []maps.Tag{maps.TagSafety}, changed[0].Tags)
}

// A comparison too prints the caution of a tag, also before there is a gate.
func TestCompareTags(t *testing.T) {
	m := smallMap(t)
	cautions := map[string]string{} // region by code
	res, err := Compare(raw(t, smallImage(nil)), raw(t, smallImage(edits(flip(0x3010), flip(0x3A10)))), m, Options{})
	require.NoError(t, err)
	for _, f := range res.Findings() {
		if f.Severity == evidence.Caution {
			cautions[f.Code] = f.Region
			assert.NotEmpty(t, f.Ranges, f.Code)
		}
	}
	assert.Equal(t, "exhaust values", cautions[CautionEmissions])
	assert.NotEmpty(t, cautions[CautionImmobiliser])
	assert.NotContains(t, cautions, CautionSafety, "nothing changed there")
}

func TestCompareAxis(t *testing.T) {
	m := smallMap(t)
	res, err := Compare(raw(t, smallImage(nil)), raw(t, smallImage(func(p []byte) { p[0x2101] = 5 })), m, Options{})
	require.NoError(t, err)
	require.Len(t, res.Tables, 1)
	assert.True(t, res.Tables[0].AxesChanged)
	assert.Equal(t, []float64{-20, 5, 40, 80}, res.Tables[0].After.X.Values)
	assert.Empty(t, res.Tables[0].Cells)
}

// What a short image cannot decode is said, on the side where it cannot.
func TestCompareShortImage(t *testing.T) {
	m := smallMap(t)
	res, err := Compare(raw(t, smallImage(nil)), raw(t, smallImage(nil)[:0x2112]), m, Options{})
	require.NoError(t, err)
	assert.False(t, res.Equal)
	assert.Zero(t, res.BytesChanged)
	assert.Equal(t, []image.Range{{Start: 0x2112, Size: 0x4000 - 0x2112}}, res.Vanished)
	require.Len(t, res.Tables, 2)
	assert.Empty(t, res.Tables[0].Before.Problem)
	assert.NotEmpty(t, res.Tables[0].After.Problem)
	assert.Equal(t, []int{0, 1, 2, 3}, res.Tables[0].Cells)
	assert.Equal(t, []*float64{nil, nil, nil, nil}, res.Tables[0].Deltas)
	assert.Equal(t, evidence.Pass, res.Checksums[0].After.Verdict)
	assert.Equal(t, evidence.Fail, res.Checksums[1].After.Verdict)
	codes := map[string]bool{}
	for _, f := range res.Findings() {
		codes[f.Code] = true
	}
	assert.True(t, codes[CodeCoverageVanished] && codes[CodeTableUndecoded], "%v", codes)
}

// A float cell that is not a number is equal to itself and different from others.
func TestCompareNotANumber(t *testing.T) {
	table := func(raw int64, v float64) []maps.TableValue {
		return []maps.TableValue{{Name: "f", Rows: 1, Cols: 1, Cells: []maps.Cell{{Raw: raw, Value: v}}}}
	}
	assert.Empty(t, changedTables(table(1, math.NaN()), table(1, math.NaN())))
	got := changedTables(table(1, math.NaN()), table(2, 5))
	require.Len(t, got, 1)
	assert.Equal(t, []*float64{nil}, got[0].Deltas)
}

func TestPairRules(t *testing.T) {
	r := func(rule string, repeat int, v evidence.Verdict) maps.RuleResult {
		return maps.RuleResult{Rule: rule, Repeat: repeat, Verdict: v}
	}
	got := pairRules(
		[]maps.RuleResult{r("a", 0, evidence.Pass), r("list", 1, evidence.Pass), r("list", 2, evidence.Pass), r("z", 0, evidence.Pass)},
		[]maps.RuleResult{r("a", 0, evidence.Fail), r("list", 1, evidence.Pass), r("z", 0, evidence.Pass), r("new", 1, evidence.Pass)})
	require.Len(t, got, 5)
	var order []string
	for _, c := range got {
		order = append(order, c.Before.Rule)
		assert.Equal(t, c.Before.Rule, c.After.Rule)
	}
	assert.Equal(t, []string{"a", "list", "list", "z", "new"}, order)
	assert.Equal(t, evidence.Fail, got[0].After.Verdict)
	assert.Equal(t, evidence.Unproven, got[2].After.Verdict)
	assert.Contains(t, got[2].After.Reason, "modified image has no such repetition")
	assert.Equal(t, evidence.Unproven, got[4].Before.Verdict)
	assert.Contains(t, got[4].Before.Reason, "original image has no such repetition")
}

func TestListing(t *testing.T) {
	m := smallMap(t)
	b, err := maps.Bind(m, raw(t, smallImage(nil)))
	require.NoError(t, err)
	listing := Listing(b)
	assert.Contains(t, listing, "identity \"software number\": \"TST-0001\"\n")
	assert.Contains(t, listing, "table \"idle speed\", axis x, point 1: -20 degC\n")
	assert.Contains(t, listing, "table \"idle speed\", column 1: 1200.00 1/min\n")
	assert.Contains(t, listing, "table \"track torque\", column 3, row 2: 50 Nm\n")
	edited, err := maps.Bind(m, raw(t, smallImage(setIdle(1, 1700))))
	require.NoError(t, err)
	assert.Equal(t, `--- backup.bin
+++ edited.bin
@@ -5,7 +5,7 @@
 table "idle speed", axis x, point 3: 40 degC
 table "idle speed", axis x, point 4: 80 degC
 table "idle speed", column 1: 1200.00 1/min
-table "idle speed", column 2: 1100.00 1/min
+table "idle speed", column 2: 1700.00 1/min, outside the limits 500.00 to 1600.00 1/min
 table "idle speed", column 3: 1000.00 1/min
 table "idle speed", column 4: 900.00 1/min
 table "track torque", axis x, point 1: 0 %
`, DiffText("backup.bin", listing, "edited.bin", Listing(edited)))
}

func TestFormatNumber(t *testing.T) {
	for _, c := range []struct {
		v        float64
		decimals int
		want     string
	}{{1200, 2, "1200.00"}, {-0.001, 2, "0.00"}, {-0.5, 1, "-0.5"}, {math.NaN(), 2, "NaN"}, {1.0 / 3, -4, "0"}, {math.Inf(-1), 1, "-Inf"}} {
		assert.Equal(t, c.want, FormatNumber(c.v, c.decimals))
	}
}

func TestCellName(t *testing.T) {
	x := &maps.Axis{Values: []float64{0, 50}, Unit: "%"}
	y := &maps.Axis{Values: []float64{1000, 2000}}
	two := []maps.Cell{{}, {}}
	for want, got := range map[string]string{
		"the value":         CellName(maps.TableValue{Rows: 1, Cols: 1, Cells: two[:1]}, 0),
		"x = 50 %":          CellName(maps.TableValue{Rows: 1, Cols: 2, X: x, Cells: two}, 1),
		"column 2":          CellName(maps.TableValue{Rows: 1, Cols: 2, Cells: two}, 1),
		"x = 0 %, y = 2000": CellName(maps.TableValue{Rows: 2, Cols: 2, X: x, Y: y, Cells: append(two, two...)}, 2),
		"column 2, row 2":   CellName(maps.TableValue{Rows: 2, Cols: 2, Cells: append(two, two...)}, 3),
	} {
		assert.Equal(t, want, got)
	}
}
