package maps_test

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

func numbers(v maps.TableValue) (out []float64) {
	for _, c := range v.Cells {
		out = append(out, c.Value)
	}
	return out
}

func TestCellTypes(t *testing.T) {
	data := make([]byte, 0x40)
	put(data, 0, "FE")
	put(data, 1, "FE0C")
	put(data, 3, "FE0C0B0A")
	put(data, 7, "FE0C0B0A01020304")
	binary.BigEndian.PutUint32(data[0x10:], math.Float32bits(-1.5))
	binary.BigEndian.PutUint64(data[0x14:], math.Float64bits(0.1))
	for _, c := range []struct {
		at, cell string
		raw      int64
		value    float64
	}{
		{"0", `type = "u8"`, 0xFE, 254},
		{"0", `type = "s8"`, -2, -2},
		{"1", `type = "u16"`, 0xFE0C, 65036},
		{"1", `type = "s16"`, -500, -500},
		{"1", `type = "u16", byte_order = "little"`, 0x0CFE, 3326},
		{"1", `type = "s16", byte_order = "little", scale = 0.5`, 0x0CFE, 1663},
		{"3", `type = "u32"`, 0xFE0C0B0A, 4262202122},
		{"3", `type = "s32"`, -32765174, -32765174},
		{"7", `type = "u64"`, -0x01F3F4F5FEFDFCFC, float64(uint64(0xFE0C0B0A01020304))},
		{"7", `type = "s64"`, -0x01F3F4F5FEFDFCFC, -0x01F3F4F5FEFDFCFC},
		{"16", `type = "f32"`, int64(math.Float32bits(-1.5)), -1.5},
		{"20", `type = "f64", scale = 10, offset = 1`, int64(math.Float64bits(0.1)), 2},
		{"0", `type = "s8", scale = -0.75, offset = -40`, -2, -38.5},
	} {
		b := flat(t, data, "[[table]]\nname = \"t\"\nat = "+c.at+"\ncell = { "+c.cell+" }")
		v := b.Tables()[0]
		require.Empty(t, v.Problem)
		require.Len(t, v.Cells, 1)
		assert.Equal(t, c.raw, v.Cells[0].Raw, c.cell)
		assert.InDelta(t, c.value, v.Cells[0].Value, 1e-9, c.cell)
	}
}

func TestScalarCurveMap(t *testing.T) {
	data := make([]byte, 0x100)
	for i := range 24 {
		data[0x40+i] = byte(i)
	}
	put(data, 0x10, "00C801F403E8") // 200, 500, 1000
	put(data, 0x20, "D8F6143C")     // -40, -10, 20, 60 as s8
	const region = `
[[region]]
name = "calibration"
range = "0x0-0xFF"
role = "calibration"
`
	tables := flat(t, data, region+`
[[table]]
name = "scalar"
at = 0x41
cell = { type = "u8", scale = 0.25, offset = -10, unit = "degC", min = -10, max = -9.5 }

[[table]]
name = "curve"
at = 0x42
cell = { type = "u8", unit = "ms" }
x = { at = 0x10, count = 3, type = "u16", scale = 0.1, unit = "bar" }

[[table]]
name = "map by rows"
at = 0x40
cell = { type = "u8", min = 1, max = 10 }
x = { at = 0x10, count = 3, type = "u16", unit = "1/min" }
y = { at = 0x20, count = 4, type = "s8", unit = "degC" }

[[table]]
name = "map by columns"
at = 0x40
order = "column_major"
cell = { type = "u16" }
x = { values = [0.5, 1.5, 2.5], unit = "V" }
y = { at = 0x20, count = 4, type = "s8", offset = 273.15, unit = "K" }
`).Tables()
	scalar, curve, rows, columns := tables[0], tables[1], tables[2], tables[3]

	assert.Equal(t, "calibration", scalar.Region)
	assert.Equal(t, []int{1, 1}, []int{scalar.Rows, scalar.Cols})
	assert.Equal(t, []float64{-9.75}, numbers(scalar))
	assert.False(t, scalar.Cells[0].Outside)
	assert.Equal(t, -9.5, *scalar.Max)
	assert.Equal(t, 2, scalar.Decimals)
	assert.Nil(t, scalar.X)

	assert.Equal(t, []int{1, 3}, []int{curve.Rows, curve.Cols})
	assert.Equal(t, []float64{2, 3, 4}, numbers(curve))
	assert.InDeltaSlice(t, []float64{20, 50, 100}, curve.X.Values, 1e-9)
	assert.Equal(t, []image.Range{{Start: 0x10, Size: 6}}, curve.X.Ranges)
	assert.Equal(t, "bar", curve.X.Unit)
	assert.Equal(t, 0, curve.Decimals)

	assert.Equal(t, []int{4, 3}, []int{rows.Rows, rows.Cols})
	assert.Equal(t, []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}, numbers(rows))
	assert.Equal(t, uint64(0x40+1*3+2), rows.Cells[1*3+2].Addr)
	assert.Equal(t, []float64{-40, -10, 20, 60}, rows.Y.Values)
	var outside []bool
	for _, c := range rows.Cells {
		outside = append(outside, c.Outside)
	}
	assert.Equal(t, []bool{true, false, false, false, false, false, false, false, false, false, false, true}, outside)
	assert.Equal(t, image.Range{Start: 0x40, Size: 12}, rows.Range)

	// Column by column: cell (row, col) is number col*4+row.
	want := make([]float64, 12)
	for row := range 4 {
		for col := range 3 {
			k := col*4 + row
			want[row*3+col] = float64(2*k<<8 | 2*k + 1)
		}
	}
	assert.Equal(t, want, numbers(columns))
	assert.Equal(t, uint64(0x40+2*(2*4+1)), columns.Cells[1*3+2].Addr)
	assert.Equal(t, []float64{0.5, 1.5, 2.5}, columns.X.Values)
	assert.Nil(t, columns.X.Ranges)
	assert.InDelta(t, 233.15, columns.Y.Values[0], 1e-9)
}

func TestDecimals(t *testing.T) {
	for cell, want := range map[string]int{
		`type = "u8"`:                             0,
		`type = "u8", scale = 0.25`:               2,
		`type = "u8", scale = 100`:                0,
		`type = "u8", scale = 5, offset = -0.5`:   1,
		`type = "u8", scale = 0.0078125`:          6,
		`type = "u8", scale = 1e-9`:               6,
		`type = "u8", scale = 0.25, decimals = 1`: 1,
		`type = "f32"`:                            3,
		`type = "f32", decimals = 0`:              0,
	} {
		b := flat(t, make([]byte, 16), "[[table]]\nname = \"t\"\nat = 0\ncell = { "+cell+" }")
		assert.Equal(t, want, b.Tables()[0].Decimals, cell)
	}
}

func TestFloatsThatAreNoNumbers(t *testing.T) {
	data := make([]byte, 16)
	binary.BigEndian.PutUint32(data, math.Float32bits(float32(math.NaN())))
	binary.BigEndian.PutUint32(data[4:], math.Float32bits(float32(math.Inf(1))))
	binary.BigEndian.PutUint32(data[8:], math.Float32bits(2.5))
	v := flat(t, data, `
[[table]]
name = "t"
at = 0
cell = { type = "f32" }
x = { at = 0, count = 3, type = "f32" }
`).Tables()[0]
	assert.Equal(t, []bool{true, true, false}, []bool{v.Cells[0].Outside, v.Cells[1].Outside, v.Cells[2].Outside})
	text, err := json.Marshal(v)
	require.NoError(t, err)
	var back struct {
		X     struct{ Values []*float64 }
		Cells []struct {
			Addr  uint64
			Raw   int64
			Value *float64
		}
	}
	require.NoError(t, json.Unmarshal(text, &back))
	assert.Nil(t, back.Cells[0].Value)
	assert.Nil(t, back.Cells[1].Value)
	assert.Equal(t, 2.5, *back.Cells[2].Value)
	assert.Equal(t, uint64(8), back.Cells[2].Addr)
	assert.Equal(t, int64(math.Float32bits(float32(math.Inf(1)))), back.Cells[1].Raw)
	assert.Nil(t, back.X.Values[0])
	assert.Equal(t, 2.5, *back.X.Values[2])
}

func TestTablesThatAreNotThere(t *testing.T) {
	m := parse(t, 0x100, `
[[table]]
name = "cells"
at = 0x80
cell = { type = "u16" }
[[table]]
name = "axis"
at = 0x10
cell = { type = "u8" }
x = { at = 0x7F, count = 2, type = "u8" }
`)
	tables := apply(t, m, image.Segment{Data: make([]byte, 0x80)}).Tables()
	assert.Contains(t, tables[0].Problem, "the image holds no byte at 0x80")
	assert.Contains(t, tables[1].Problem, "axis: the image holds no byte at 0x80")
	text, err := json.Marshal(tables[0])
	require.NoError(t, err)
	assert.Contains(t, string(text), `"cells":[]`)
}

func TestIdentity(t *testing.T) {
	for name, c := range map[string]struct{ as, hex, value, problem, note string }{
		"text":                {"text", "53572D3031000000", "SW-01", "", ""},
		"text, spaces and FF": {"text", "5357202020FFFFFF", "SW", "", ""},
		"text, control byte":  {"text", "5357015841000000", `SW\x01XA`, "byte 3 of the field is 0x01", ""},
		"text, empty":         {"text", "2020202000000000", "", "the field is empty", ""},
		"erased":              {"text", "FFFFFFFFFFFFFFFF", "", "the field is erased", ""},
		"hex":                 {"hex", "00ABCDEF01020304", "00ABCDEF01020304", "", ""},
		"bcd":                 {"bcd", "0123456789001234", "0123456789001234", "", ""},
		"bcd, filled up":      {"bcd", "01234567890FFFFF", "01234567890", "", ""},
		"bcd, no digit":       {"bcd", "0123A56789001234", "0123A56789001234", "digit 5 of the field is the nibble 0xA", ""},
		"erased hex":          {"hex", "FFFFFFFFFFFFFFFF", "", "the field is erased", ""},
	} {
		t.Run(name, func(t *testing.T) {
			data := make([]byte, 8)
			put(data, 0, c.hex)
			v := flat(t, data, "[[identity]]\nname = \"id\"\nrange = \"0x0+8\"\nas = \""+c.as+"\"").Identity()[0]
			assert.Equal(t, c.value, v.Value)
			assert.Equal(t, c.as, v.As)
			if c.problem == "" {
				assert.Empty(t, v.Problem)
			}
			assert.Contains(t, v.Problem, c.problem)
		})
	}
}

func TestVIN(t *testing.T) {
	// The first two are published examples, listed with their sources in the
	// test data of package image/vin; the third is the second with a letter
	// that no VIN has.
	for _, c := range []struct{ vin, problem, note string }{
		{"11111111111111111", "", ""},
		{"WP0ZZZ99ZTS392124", "", "mandatory only in North America"},
		{"WPOZZZ99ZTS392124", "'O' at position 3", ""},
		{"WP0ZZZ99ZTS39212\x00", "17", ""},
	} {
		v := flat(t, []byte(c.vin), "[[identity]]\nname = \"id\"\nrange = \"0x0+17\"\nas = \"VIN\"").Identity()[0]
		if c.problem == "" {
			assert.Empty(t, v.Problem, c.vin)
		} else {
			assert.Contains(t, v.Problem, c.problem)
		}
		if c.note == "" {
			assert.Empty(t, v.Notes, c.vin)
		} else {
			require.Len(t, v.Notes, 1)
			assert.Contains(t, v.Notes[0], c.note)
		}
	}
	short := parse(t, 0x20, "[[identity]]\nname = \"id\"\nrange = \"0x0+17\"\nas = \"VIN\"")
	v := apply(t, short, image.Segment{Data: make([]byte, 4)}).Identity()[0]
	assert.Contains(t, v.Problem, "the image holds no byte at 0x4")
}
