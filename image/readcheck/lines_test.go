package readcheck

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps"
)

func contentOf(start uint64, data []byte) *content {
	return newContent([]*span{{start: start, data: data}}, limitsFor(nil).rich)
}

// stuckPlain says by the definition whether line k never matters in data.
func stuckPlain(start uint64, data []byte, k int) bool {
	for i := range data {
		j := int((start+uint64(i))^1<<k) - int(start)
		if j >= 0 && j < len(data) && data[i] != data[j] {
			return false
		}
	}
	return true
}

func stuckRuns(c *content, k int) []lineRun {
	if k < unitLines {
		return c.stuckInside(16, 2)[k]
	}
	return c.stuckLine(k, 16, 2)
}

func TestStuckLineAgainstDefinition(t *testing.T) {
	for _, start := range []uint64{0, 0x8000, 0x80000000} {
		for k := range 15 {
			data := faults.Synth(rand.New(rand.NewPCG(uint64(k), 5)), 32<<10)
			require.False(t, stuckPlain(start, data, k))
			assert.Empty(t, stuckRuns(contentOf(start, data), k), "line %d of a healthy image", k)
			for i := range data {
				data[i] = data[i&^(1<<k)]
			}
			require.True(t, stuckPlain(start, data, k))
			runs := stuckRuns(contentOf(start, data), k)
			require.Len(t, runs, 1, "line %d", k)
			assert.True(t, runs[0].whole)

			data[20000] ^= 1 // one byte that contradicts it ...
			for _, run := range stuckRuns(contentOf(start, data), k) {
				assert.False(t, run.whole, "line %d", k) // ... leaves only parts
			}
		}
	}
}

func TestShortedLinesAgainstDefinition(t *testing.T) {
	for _, how := range []bridge{lowWins, highWins} {
		for _, pair := range [][2]int{{0, 1}, {2, 7}, {0, 9}, {7, 8}, {8, 14}, {12, 13}} {
			a, b := pair[0], pair[1]
			data := faults.Synth(rand.New(rand.NewPCG(uint64(a), uint64(b))), 32<<10)
			assert.Empty(t, contentOf(0, data).shortedLines(a, b, 16, 2)[how])
			out := make([]byte, len(data))
			for i := range out {
				j := i
				if i>>a&1 != i>>b&1 {
					j &^= 1<<a | 1<<b
					if how == highWins {
						j |= 1<<a | 1<<b
					}
				}
				out[i] = data[j]
			}
			runs := contentOf(0, out).shortedLines(a, b, 16, 2)[how]
			require.Len(t, runs, 1, "lines %d and %d", a, b)
			assert.True(t, runs[0].whole)
			assert.Empty(t, contentOf(0, out).shortedLines(a, b, 16, 2)[1-how], "the other level wins nothing")
		}
	}
}

// A period that is a power of two is no stuck line.
func TestPeriodIsNoStuckLine(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(8, 8)), 64<<10)
	for i := 1; i < 12; i++ {
		copy(data[0x4000+i*2048:], data[0x4000:0x4800])
	}
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	x.checkLines()
	for _, f := range x.findings {
		assert.NotEqual(t, "address-line-stuck", f.Code, f.Message)
	}
	require.NotEmpty(t, x.findings)

	assert.Equal(t, "block-repeated", x.findings[0].Code)
}

func TestDataLinesByBus(t *testing.T) {
	base := faults.Synth(rand.New(rand.NewPCG(4, 4)), 32<<10)
	for _, width := range []int{1, 2, 4} {
		for lane := range width {
			for _, bit := range []int{0, 3, 7} {
				for v := range 2 {
					data := append([]byte{}, base...)
					for i := lane; i < len(data); i += width {
						data[i] = data[i]&^(1<<bit) | byte(v<<bit)
					}
					st := statsOf(contentOf(0, data).unitsIn(imageOf(t, data).Bounds()))
					low, high := st.stuck()
					want, other := low, high
					if v == 1 {
						want, other = high, low
					}
					assert.Equal(t, []dataLine{{bit, lane, width}}, want)
					assert.Empty(t, other)
				}
			}
		}
	}
}

// pairsPlain finds bound pairs of a 32-bit bus by looking at every pair of
// every word.
func pairsPlain(data []byte) (equal, opposite map[[2]int]bool) {
	equal, opposite = map[[2]int]bool{}, map[[2]int]bool{}
	bit := func(at, n int) byte { return data[at+n/8] >> (n % 8) & 1 }
	for i := range 32 {
		for j := i + 1; j < 32; j++ {
			eq, op, moved := true, true, [2][2]bool{}
			for at := 0; at+4 <= len(data); at += 4 {
				x, y := bit(at, i), bit(at, j)
				eq, op = eq && x == y, op && x != y
				moved[0][x], moved[1][y] = true, true
			}
			if moved != [2][2]bool{{true, true}, {true, true}} {
				continue
			}
			if eq {
				equal[[2]int{i, j}] = true
			}
			if op {
				opposite[[2]int{i, j}] = true
			}
		}
	}
	return equal, opposite
}

func TestDataPairsAgainstDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		r := rand.New(rand.NewPCG(seed, 2))
		data := make([]byte, unitSize)
		for i := range data {
			data[i] = byte(r.Uint32())
		}
		for range rapid.IntRange(0, 3).Draw(t, "bindings") {
			p, q := r.IntN(32), r.IntN(32)
			for at := 0; at < len(data); at += 4 {
				v := data[at+p/8] >> (p % 8) & 1
				if seed&1 == 1 {
					v ^= 1
				}
				data[at+q/8] = data[at+q/8]&^(1<<(q%8)) | v<<(q%8)
			}
		}
		st := statsOf(slices.Values([][]byte{data}))
		gotEqual, gotOpposite := map[[2]int]bool{}, map[[2]int]bool{}
		for _, p := range st.pairs() {
			for l := 0; l < 4; l += p.a.Width {
				i, j := 8*(p.a.Lane+l)+p.a.Bit, 8*(p.b.Lane+l)+p.b.Bit
				if p.opposite {
					gotOpposite[[2]int{i, j}] = true
				} else {
					gotEqual[[2]int{i, j}] = true
				}
			}
		}
		wantEqual, wantOpposite := pairsPlain(data)
		assert.Equal(t, wantEqual, gotEqual)
		assert.Equal(t, wantOpposite, gotOpposite)
	})
}

func TestASCIITextIsNoStuckLine(t *testing.T) {
	var data []byte
	for i := 0; len(data) < 32<<10; i++ {
		data = append(data, []byte("Reading pressure of cylinder "+string(rune('A'+i%20))+string(rune('a'+i*7%26))+"; next\n")...)
	}
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	x.checkDataLines()
	assert.Empty(t, x.findings)
}

// Lines and pairs that are passed over as no suspects have nothing to report.
func TestSuspectsMissNothing(t *testing.T) {
	found := 0
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
		data := faults.Synth(r, 64<<10)
		start := uint64(r.IntN(3)) * 0x1300
		for range rapid.IntRange(1, 3).Draw(t, "faults") {
			a, b, high := 8+r.IntN(7), 8+r.IntN(7), r.IntN(2) == 1 // a == b: one line stuck
			from := r.IntN(2) << 15
			for i := from; i < from+1<<15; i++ {
				j := i
				if at := start + uint64(i); a == b || at>>a&1 != at>>b&1 {
					at &^= 1<<a | 1<<b
					if high {
						at |= 1<<a | 1<<b
					}
					j = int(at - start)
				}
				if j >= from && j < from+1<<15 {
					data[i] = data[j]
				}
			}
		}
		c := contentOf(start, data)
		n := c.lines()
		sus := c.suspects(n)
		for a := unitLines; a < n; a++ {
			if len(c.stuckLine(a, 1, 1)) > 0 {
				found++
				assert.NotZero(t, sus.line>>a&1, "line %d", a)
			}
			for b := a + 1; b < n; b++ {
				if runs := c.shortedLines(a, b, 1, 1); len(runs[0])+len(runs[1]) > 0 {
					found++
					assert.NotZero(t, sus.pair[a]>>b&1, "lines %d and %d", a, b)
				}
			}
		}
	})
	assert.Greater(t, found, 10)
}

// What the lines did over the parts adds up to what they did over the whole.
func TestLineStatsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 4))
		data := faults.Synth(r, 16<<10)
		rest := [4]byte{byte(r.Uint32()), byte(r.Uint32()), byte(r.Uint32()), byte(r.Uint32())} // lines at rest over each kilobyte
		bound := [4]byte{byte(r.Uint32()), byte(r.Uint32()), byte(r.Uint32()), byte(r.Uint32())}
		for at := 0; at < len(data); at += 1024 {
			values := byte(r.IntN(2)) * 0xFF // all go the other way together, now and then
			for i := at; i < at+1024; i++ {
				data[i] = data[i]&^rest[i%4] | (bound[i%4]^values)&rest[i%4]
			}
		}
		start, even := uint64(r.IntN(600)), r.IntN(2) == 0 // even: no line moves within a part
		if even {
			start &^= unitSize - 1
		}
		c := contentOf(start, data)
		bounds := c.spans[0].rng(0, len(data))
		m := &maps.Map{}
		for at := bounds.Start; at < bounds.End(); {
			size := min(uint64(1+r.IntN(5000)), bounds.End()-at)
			if even {
				size = 1024
			}
			if even || r.IntN(3) > 0 {
				m.Regions = append(m.Regions, maps.Region{Range: image.Range{Start: at, Size: size}, Content: maps.ContentExpected})
			}
			at += size
		}
		x := &examiner{m: m, c: c, lim: limitsFor(nil)}
		x.lim.dataBytes = 1000
		parts := x.parts()
		got, want := x.statsOver(parts)[0], statsOf(c.unitsIn(bounds))
		assert.Equal(t, want.bytes, got.bytes)
		assert.Equal(t, []uint32{want.everyOne, want.anyOne}, []uint32{got.everyOne, got.anyOne})
		assert.Equal(t, want.pairs(), got.pairs())
	})
}

// A table of a few values binds most lines together and rests the others, which
// is no fault of a wire. A memory of which most lines rest, or three are bound,
// is one.
func TestTablesOfFewValues(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 7))
	lineCodes := func(data []byte) (n int) {
		x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
		x.checkDataLines()
		for _, c := range codes(x.findings) {
			if c == CodeDataLineStuck || c == CodeDataLinesShorted || c == CodeDataLinesOpposite {
				n++
			}
		}
		return n
	}
	for name, values := range map[string][]byte{
		"three levels": {0x00, 0x80, 0xFF},
		"flags":        {0x00, 0x81, 0x42, 0x14, 0x48, 0x93}, // bit 5 rests
		"weights":      {0x00, 0x10, 0x20, 0x30, 0x40, 0x60, 0x7F, 0x80, 0xFF},
	} {
		table := make([]byte, 64<<10)
		for i := range table {
			table[i] = values[r.IntN(len(values))]
		}
		assert.Zero(t, lineCodes(table), name)
	}
	memory := faults.Synth(r, 64<<10)
	require.Zero(t, lineCodes(memory))
	for name, damage := range map[string]func(b byte) byte{
		"six lines at rest":        func(b byte) byte { return b&0x12 | 0x20 },
		"three lines bound":        func(b byte) byte { return b&^0x0E | b>>3&1*0x0E },
		"five at rest, two bound":  func(b byte) byte { return b&0x21 | b>>5&1<<6 },
		"one at rest among others": func(b byte) byte { return b | 0x04 },
	} {
		bad := bytes.Clone(memory)
		for i := range bad {
			bad[i] = damage(bad[i])
		}
		assert.NotZero(t, lineCodes(bad), name)
	}
}

// A map does not hide what shows in a part of a large region, nor are bytes
// counted twice for it.
func TestPartsOfLargeRegions(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(6, 8)), 256<<10)
	m, err := maps.Parse("m.toml", []byte("format = 1\n[image]\nsize = 0x40000\nbyte_order = \"big\"\n[[region]]\nname = \"all\"\nrange = \"0x0-0x3FFFF\"\nrole = \"program\"\n"))
	require.NoError(t, err)
	rep, err := Examine(m, imageOf(t, data))
	require.NoError(t, err)
	assert.NotContains(t, codes(rep.Findings), CodeDataLineStuck)
	x := &examiner{m: m, c: contentOf(0, data), lim: limitsFor(m)}
	assert.Equal(t, statsOf(x.c.unitsIn(x.c.spans[0].rng(0, len(data)))).bytes, x.statsOver(x.parts())[0].bytes)
	for i := 0x20000; i < 0x30000; i++ {
		data[i] &^= 4
	}
	rep, err = Examine(m, imageOf(t, data))
	require.NoError(t, err)
	f := findingOf(t, rep, CodeDataLineStuck)
	assert.Equal(t, []image.Range{{Start: 0x20000, Size: 0x10000}}, f.Ranges)
	assert.Contains(t, f.Message, "data bit 2 always reads 0")
}
