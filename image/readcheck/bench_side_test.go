package readcheck

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

func stripOf(t *testing.T, m *maps.Map, data []byte, repeated, changed []image.Range) []string {
	t.Helper()
	s, err := NewStrip(m, imageOf(t, data), repeated, changed)
	require.NoError(t, err)
	return s.Lines(true)
}

func TestStrip(t *testing.T) {
	data := goodRead() // 32 KiB: a cell is 512 bytes
	fillWith(data[0x4000:0x6000], []byte{0xFF})
	data[0x5000] = 0 // one byte is content
	lines := stripOf(t, nil, data, []image.Range{{Start: 0x200, Size: 0x400}}, []image.Range{{Start: 0x3FF, Size: 2}})
	assert.Equal(t, "0x0             0x2000          0x4000          0x6000", lines[0])
	assert.Equal(t, "#!!"+strings.Repeat("#", 29)+strings.Repeat("-", 8)+"#"+strings.Repeat("-", 7)+strings.Repeat("#", 16), lines[1], "changed wins over repeated")
	assert.Equal(t, "# content  - erased  ! changed", lines[2])
	assert.Equal(t, "one cell is 512 bytes", lines[3])

	m := learning()
	m.Regions = m.Regions[:1] // 0x7000 to the end is in no region
	lines = stripOf(t, m, data[:0x3000], []image.Range{{Start: 0x200, Size: 0x400}}, nil)
	assert.Equal(t, "#==#", lines[1][:4])
	assert.Equal(t, strings.Repeat("#", 20)+strings.Repeat(".", 40), lines[1][4:], "the map says how large a full read is")
}

// At the top of the address space four addresses would run together, and an
// image can have fewer bytes than the strip has cells.
func TestStripOfUnusualImages(t *testing.T) {
	top, err := image.FromSegments(image.Segment{Start: 0xFFFFFFFFFFFF0000, Data: make([]byte, 0x10000)})
	require.NoError(t, err)
	s, err := NewStrip(nil, top, nil, nil)
	require.NoError(t, err)
	assert.Equal(t, []string{"0xFFFFFFFFFFFF0000", "0xFFFFFFFFFFFF8000"}, strings.Fields(s.Lines(true)[0]))

	tiny, err := image.FromSegments(image.Segment{Start: 0, Data: []byte{1, 2}})
	require.NoError(t, err)
	s, err = NewStrip(nil, tiny, nil, []image.Range{{Start: 1, Size: 1}})
	require.NoError(t, err)
	lines := s.Lines(true)
	assert.Equal(t, strings.Repeat("#", 32)+strings.Repeat("!", 32), lines[1])
	assert.Equal(t, "one cell is less than a byte", lines[3])
}

// A few equal bytes are content; a few of the values that memory is erased to
// are not.
func TestStripOfASmallImage(t *testing.T) {
	data := append(bytes.Repeat([]byte{0xFF}, 16), []byte("a few letters stand here, one in each of the cells, and no space"[:48])...)
	s, err := NewStrip(nil, imageOf(t, data), nil, nil)
	require.NoError(t, err)
	assert.Equal(t, strings.Repeat("-", 16)+strings.Repeat("#", 48), s.Lines(true)[1])
}

func TestStripFitsTheTerminal(t *testing.T) {
	for _, size := range []int{1, 63, 64, 1000, 32 << 10} {
		im, err := image.FromSegments(image.Segment{Start: 0xFFFFFFFF00000000, Data: goodRead()[:size]})
		require.NoError(t, err)
		s, err := NewStrip(nil, im, im.Segments(), nil)
		require.NoError(t, err)
		for _, ascii := range []bool{true, false} {
			for _, l := range s.Lines(ascii) {
				assert.LessOrEqual(t, utf8.RuneCountInString(l), 76, l)
				if ascii {
					assert.Equal(t, len(l), utf8.RuneCountInString(l))
				}
			}
			assert.Equal(t, StripCells, utf8.RuneCountInString(s.Lines(ascii)[1]))
		}
		var total uint64
		for i := range StripCells {
			total += s.cell(i).Size
		}
		assert.EqualValues(t, size, total, "cells cover the image once")
	}
}

func readback(t *testing.T, m *maps.Map, written, read []byte) *Readback {
	t.Helper()
	rb, err := CompareReadback(m, imageOf(t, written), imageOf(t, read))
	require.NoError(t, err)
	return rb
}

func TestReadback(t *testing.T) {
	good := goodRead()
	assert.Equal(t, evidence.Pass, readback(t, learning(), good, goodRead()).Verdict)

	learned := goodRead()
	learned[0x7100] ^= 1
	rb := readback(t, learning(), good, learned)
	assert.Equal(t, evidence.Pass, rb.Verdict)
	assert.Equal(t, []string{"readback-learned"}, codes(rb.Findings))

	wrong := bytes.Clone(learned)
	wrong[0x200] |= ^good[0x200]
	rb = readback(t, learning(), good, wrong)
	assert.Equal(t, evidence.Fail, rb.Verdict)
	require.Equal(t, []string{"readback-differs"}, codes(rb.Findings))
	for _, advice := range []string{"do not switch", "keep the supply up", "write the image again", "restore the backup", "common practice, no source"} {
		assert.Contains(t, rb.Findings[0].Message, advice)
	}
	assert.Equal(t, []image.Range{{Start: 0x200, Size: 1}}, rb.Findings[0].Ranges)

	assert.Equal(t, evidence.Unproven, readback(t, nil, good, wrong).Verdict)
	assert.Equal(t, evidence.Fail, readback(t, learning(), good, good[:100]).Verdict)
	_, err := CompareReadback(nil, nil, nil)
	require.Error(t, err)
}

func TestPlanTimes(t *testing.T) {
	m := learning()
	m.Image.Size = 4 << 20
	p, err := NewPlan(m, PlanInput{})
	require.NoError(t, err)
	// By hand: 4194304 bytes of 10 bits at 9600 bits a second are 4369.07 s,
	// inside the 60 to 75 minutes of the trade; 32768 exchanges add 15 bytes
	// each, 512 s, and 1 ms or 16 ms each, 32.8 s or 524.3 s.
	assert.InDelta(t, 4369.07, p.LineSeconds, 0.01)
	assert.EqualValues(t, 32768, p.Exchanges)
	assert.InDelta(t, 512, p.OverSeconds, 0.01)
	require.Len(t, p.Times, 2)
	assert.InDelta(t, 4369.07+512+32.77, p.Times[0].Seconds, 0.01)
	assert.InDelta(t, 4369.07+512+524.29, p.Times[1].Seconds, 0.01)
	assert.Equal(t, "1 h 21 min 54 s", p.Times[0].String())
	assert.Equal(t, evidence.Pass, p.Verdict)

	four, block := 4.0, 1000
	p, err = NewPlan(m, PlanInput{AdapterLatencyMS: &four, Block: block, LineBitsPerSecond: 125000})
	require.NoError(t, err)
	assert.EqualValues(t, 4195, p.Exchanges, "the last block is short")
	assert.Equal(t, []float64{1, 4, 16}, []float64{p.Times[0].LatencyMS, p.Times[1].LatencyMS, p.Times[2].LatencyMS})
	assert.True(t, p.Times[1].Stated)
	assert.Equal(t, evidence.Fail, p.Verdict, "4 ms is more than 1 ms")
}

// With parity a byte takes 11 bits; a request of 20 bytes and 5 more around
// its answer make 25 bytes an exchange.
func TestPlanOfAnotherLine(t *testing.T) {
	m := learning()
	m.Image.Size = 1 << 20
	m.Bench = maps.Bench{LineBitsPerByte: 11, RequestBytes: 20, AnswerBytes: 5}
	p, err := NewPlan(m, PlanInput{LineBitsPerSecond: 11000, Block: 1024})
	require.NoError(t, err)
	assert.InDelta(t, 1048.576, p.LineSeconds, 1e-9)
	assert.InDelta(t, 25.6, p.OverSeconds, 1e-9)
	assert.Contains(t, p.Framing(), "8E1")
	m.Bench.LineBitsPerByte = 0
	p, err = NewPlan(m, PlanInput{LineBitsPerSecond: 11000, Block: 1024})
	require.NoError(t, err)
	assert.InDelta(t, 953.25, p.LineSeconds, 0.01)
	assert.Contains(t, p.Framing(), "8N1")
}

func TestPlanFigures(t *testing.T) {
	m := learning()
	m.Image.Size = 4 << 20
	m.Bench = maps.Bench{MinSupplyVolts: 12.5, MaxAdapterLatencyMS: 1, LineBitsPerSecond: 9600, ReadMinutes: [2]float64{75, 90}}
	minutes := func(n float64) *time.Duration { d := time.Duration(n * float64(time.Minute)); return &d }
	num := func(v float64) *float64 { return &v }
	for _, tc := range []struct {
		name string
		in   PlanInput
		want evidence.Verdict
		code string
	}{
		{"nothing stated", PlanInput{}, evidence.Pass, ""},
		{"good figures", PlanInput{SupplyVolts: num(13.2), AdapterLatencyMS: num(0.8), Took: minutes(80)}, evidence.Pass, ""},
		{"at the limits", PlanInput{SupplyVolts: num(12.5), AdapterLatencyMS: num(1)}, evidence.Pass, ""},
		{"low supply", PlanInput{SupplyVolts: num(12.4)}, evidence.Fail, "supply-low"},
		{"slow adapter", PlanInput{AdapterLatencyMS: num(16)}, evidence.Fail, "latency-high"},
		{"impossibly quick", PlanInput{Took: minutes(62)}, evidence.Fail, "read-too-quick"},
		{"quicker than the map", PlanInput{Took: minutes(74)}, evidence.Unproven, "read-quick"},
		{"slow", PlanInput{Took: minutes(100)}, evidence.Unproven, "read-slow"},
		{"supply in millivolts", PlanInput{SupplyVolts: num(13200)}, evidence.Fail, "supply-high"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p, err := NewPlan(m, tc.in)
			require.NoError(t, err)
			assert.Equal(t, tc.want, p.Verdict)
			if tc.code != "" {
				assert.Equal(t, []string{tc.code}, codes(p.Findings))
			}
			assert.NotEmpty(t, p.Checks)
		})
	}
	m.Bench.ReadMinutes = [2]float64{} // then the plan alone judges
	p, err := NewPlan(m, PlanInput{Block: 256, LineBitsPerSecond: 9600})
	require.NoError(t, err)
	planned := (p.LineSeconds + p.OverSeconds) / 60
	for took, want := range map[float64]evidence.Verdict{planned - 0.1: evidence.Unproven, planned + 0.1: evidence.Pass} {
		p, err := NewPlan(m, PlanInput{Block: 256, Took: minutes(took)})
		require.NoError(t, err)
		assert.Equal(t, want, p.Verdict, "%g minutes", took)
	}
	p, err = NewPlan(m, PlanInput{Block: 256, AdapterLatencyMS: num(1), Took: minutes(planned + 0.1)}) // 16,384 exchanges take 16 s more
	require.NoError(t, err)
	assert.Equal(t, []string{CodeReadQuick}, codes(p.Findings))
	for name, in := range map[string]PlanInput{
		"block of the wrong size": {Block: 5 << 20}, "negative block": {Block: -1}, "negative speed": {LineBitsPerSecond: -9600},
		"negative supply": {SupplyVolts: num(-1)},
	} {
		_, err := NewPlan(m, in)
		assert.Error(t, err, name)
	}
	_, err = NewPlan(nil, PlanInput{})
	require.ErrorContains(t, err, "map")
}
