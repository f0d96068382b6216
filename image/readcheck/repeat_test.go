package readcheck

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps"
)

// Every planted repetition is found, with its period, and every run reported
// holds byte for byte and is as long as it gets.
func TestFindRepeats(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		data := make([]byte, 20000)
		for i := range data {
			data[i] = byte(r.Uint32())
		}
		p := rapid.IntRange(minBlock, maxBlock).Draw(t, "period")
		copies := rapid.IntRange(2, 4).Draw(t, "copies")
		at := rapid.IntRange(0, len(data)-p*copies).Draw(t, "at")
		for i := at + p; i < at+p*copies; i++ {
			data[i] = data[i-p]
		}
		runs := findRepeats(data)
		assert.True(t, slices.ContainsFunc(runs, func(r repeatRun) bool {
			return r.period == p && r.start <= at && r.end >= at+p*copies
		}), "period %d at %d, %d copies: got %v", p, at, copies, runs)
		for _, r := range runs {
			for i := r.start + r.period; i < r.end; i++ {
				require.Equal(t, data[i-r.period], data[i])
			}
			assert.GreaterOrEqual(t, r.end-r.start, 2*r.period)
			assert.True(t, r.start == 0 || data[r.start-1] != data[r.start-1+r.period], "longer to the left")
			assert.True(t, r.end == len(data) || data[r.end] != data[r.end-r.period], "longer to the right")
		}
	})
}

func TestRepeatsThatAreOrdinary(t *testing.T) {
	base := func() []byte { return faults.Synth(rand.New(rand.NewPCG(6, 6)), 64<<10) }
	for name, change := range map[string]func(data []byte){
		"fill":                     func(d []byte) { clear(d[0x1000:0x3000]) },
		"vectors to one handler":   func(d []byte) { fillWith(d[0x100:0x400], []byte{0, 1, 0x23, 0x40}) },
		"records off the boundary": func(d []byte) { fillWith(d[0x1234:0x1234+40*13], d[0x1234:0x1234+40]) },
		"half-filled vector slots": func(d []byte) {
			clear(d[0x200:0x480])
			for i := range 5 {
				copy(d[0x200+128*i:], []byte{0x40, 0x1A, 0x68, 0, 0x27, 0x5A, 0x10, 0x7E, 0x33, 0x40, 0xE0, 9})
			}
			clear(d[0x1C0:0x200])
		},
	} {
		t.Run(name, func(t *testing.T) {
			data := base()
			change(data)
			x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
			x.checkRepeats()
			for _, f := range x.findings {
				assert.Equal(t, "note", string(f.Severity), f.Message)
			}
		})
	}
}

func fillWith(d, pattern []byte) {
	p := append([]byte{}, pattern...)
	for i := range d {
		d[i] = p[i%len(p)]
	}
}

func TestBlockSizeOfMapSharpensRepeats(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(6, 7)), 64<<10)
	copy(data[0x8040:0x8080], data[0x8000:0x8040])
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	x.checkRepeats()
	require.Len(t, alarms(x.report()), 1)
	assert.Equal(t, evidence.Caution, alarms(x.report())[0].Severity, "twice may be chance")
	m := learning()
	m.Read.TransferBlockBytes = 64
	x = &examiner{c: contentOf(0, data), lim: limitsFor(m)}
	x.checkRepeats()
	require.Len(t, alarms(x.report()), 1)
	assert.Equal(t, evidence.Fault, alarms(x.report())[0].Severity, "not of the size that the adapter transfers")
	m.Read.MinRepeatBytes = 128
	x = &examiner{c: contentOf(0, data), lim: limitsFor(m)}
	x.checkRepeats()
	assert.Empty(t, alarms(x.report()))
}

// Every threshold that a map can set changes what is found.
func TestThresholdsOfMap(t *testing.T) {
	has := func(m *maps.Map, data []byte, code string) bool {
		x := &examiner{m: m, c: contentOf(0, data), lim: limitsFor(m)}
		x.checkLines()
		x.checkTail()
		x.fold()
		return slices.Contains(codes(x.findings), code)
	}
	synth := faults.Synth(rand.New(rand.NewPCG(6, 8)), 64<<10)
	tail := slices.Clone(synth)
	fillWith(tail[60<<10:], []byte{0xFF})
	part := slices.Clone(synth)
	for i := 0x4000; i < 0x6000; i++ {
		part[i] = synth[i&^0x800]
	}
	still := slices.Clone(synth[:8<<10])
	for i := range still {
		still[i] &^= 2
	}
	for _, tc := range []struct {
		code  string
		data  []byte
		raise func(r *maps.Read)
	}{
		{"tail-constant", tail, func(r *maps.Read) { r.MinTailBytes = 5000 }},
		{"tail-constant", tail, func(r *maps.Read) { r.MinHoleBytes = 5000 }},
		{"address-line-stuck", part, func(r *maps.Read) { r.MinLineBlocks = 40 }},
		{"data-line-stuck", still, func(r *maps.Read) { r.MinDataBytes = 10000 }},
	} {
		m := learning()
		assert.True(t, has(m, tc.data, tc.code), tc.code)
		tc.raise(&m.Read)
		assert.False(t, has(m, tc.data, tc.code), "%s with a higher threshold", tc.code)
	}
}

// repetitionOf plants the change and returns the repetition that begins at a
// place, which must be on block boundaries.
func repetitionOf(t *testing.T, at int, change func(d []byte)) *repetition {
	t.Helper()
	data := make([]byte, 64<<10) // in random bytes no four stand twice by chance
	r := rand.New(rand.NewPCG(6, 9))
	for i := range data {
		data[i] = byte(r.IntN(firstByte))
	}
	change(data)
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	for _, r := range x.repetitions() {
		if r.first == at {
			return r
		}
	}
	require.Fail(t, "no repetition there", "0x%X", at)
	return nil
}

// The ends of a block that is planted stand nowhere else.
const firstByte, lastByte = 0xF0, 0xF1

func marked(block []byte) []byte {
	b := slices.Clone(block)
	b[0], b[len(b)-1] = firstByte, lastByte
	return b
}

// Each thing that the score looks at moves it the way it should.
func TestRepeatScore(t *testing.T) {
	const at, p = 0x3000, 64
	random := rand.New(rand.NewPCG(6, 10))
	block := make([]byte, 256)
	for i := range block {
		block[i] = byte(random.IntN(firstByte))
	}
	copy(block, marked(block[:p]))
	stuck := func(d []byte) { fillWith(d[at:at+3*p], block[:p]) }
	plain := repetitionOf(t, at, stuck)
	require.Equal(t, 3, plain.copies)
	assert.Greater(t, plain.score, limitsFor(nil).repeatScore)
	bits := plain.bits / p // of a byte; in random bytes all say about the same
	for _, tc := range []struct {
		name   string
		points float64
		change func(d []byte)
	}{
		{"two copies", -1.9 + 2*0.6, func(d []byte) { fillWith(d[at:at+2*p], block[:p]) }},
		{"six copies", (1.9 - 2*0.6) * math.Log2(5.0/2), func(d []byte) { fillWith(d[at:at+6*p], block[:p]) }},
		{"a smaller block", -2 + 0.6, func(d []byte) { fillWith(d[at:at+3*p/2], marked(block[:p/2])) }},
		{"a larger block", 2 - 0.6, func(d []byte) { fillWith(d[at:at+6*p], marked(block[2*p:])) }},
		{"the three sequences across the joint stand elsewhere, and so do the two bytes", -3*0.65 - 1.5, func(d []byte) {
			stuck(d)
			copy(d[0x8000:], d[at+p-3:at+p+3])
		}},
		{"only the two bytes across the joint stand elsewhere", -1.5, func(d []byte) {
			stuck(d)
			copy(d[0x8000:], d[at+p-1:at+p+1])
		}},
		{"only the two bytes behind the last copy stand elsewhere", -1.5, func(d []byte) {
			stuck(d)
			copy(d[0x8000:], d[at+3*p-1:at+3*p+1])
		}},
		{"all of the joint stands elsewhere", -3*0.65 - 1.5 - 0.03*12*bits, func(d []byte) {
			stuck(d)
			copy(d[0x8000:], d[at+p-6:at+p+6])
		}},
		{"the block stands elsewhere", -3, func(d []byte) {
			stuck(d)
			copy(d[0x8000:], d[at:at+p])
		}},
		{"half of the block stands elsewhere", -3 * 25.0 / 57, func(d []byte) {
			stuck(d)
			copy(d[0x8000:], d[at:at+p/2])
		}},
		{"the neighbour is like it, and so the block stands elsewhere", -2 - 3*56.0/57, func(d []byte) {
			stuck(d)
			copy(d[at+3*p:at+4*p-1], d[at:at+p-1])
			copy(d[at+3*p:], []byte{^d[at]})
		}},
		{"another one off the boundaries", -1, func(d []byte) {
			stuck(d)
			fillWith(d[0x9004:0x9004+4*p], block[p:2*p])
		}},
		{"three others off the boundaries", -2, func(d []byte) {
			stuck(d)
			for i := range 3 {
				fillWith(d[0x9004+0x400*i:][:4*p], block[p+i:2*p+i])
			}
		}},
		{"a small one off the boundaries close by", -1, func(d []byte) {
			stuck(d)
			fillWith(d[at+0x304:][:32], block[p:p+16])
		}},
		{"a small one off the boundaries further away", 0, func(d []byte) {
			stuck(d)
			fillWith(d[at+0x1004:][:32], block[p:p+16])
		}},
		{"another one on boundaries is no sign of tables", 0, func(d []byte) {
			stuck(d)
			fillWith(d[at+0x400:at+0x400+4*p], block[p:2*p])
		}},
		{"four bytes match over the boundary", -0.4*4 - 0.7*math.Log2(5) - 2*4.0/p, func(d []byte) {
			stuck(d)
			copy(d[at+3*p:at+3*p+4], block[:4])
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			assert.InDelta(t, plain.score+tc.points, repetitionOf(t, at, tc.change).score, 0.35, "the marks move it a little")
		})
	}
}

// A repetition that runs on over a boundary, for more than chance, is no whole
// number of blocks; one value that both sides end in may be longer.
func TestRepetitionOverBoundaries(t *testing.T) {
	const at, p = 0x3000, 128
	for _, tc := range []struct {
		over int
		fill bool
		want bool
	}{{8, false, true}, {9, false, false}, {p / 4, true, true}, {p/4 + 1, true, false}} {
		data := make([]byte, 64<<10)
		r := rand.New(rand.NewPCG(6, 14))
		for i := range data {
			data[i] = byte(r.Uint32())
		}
		if tc.fill {
			clear(data[at : at+p/2])
		}
		fillWith(data[at:at+2*p+tc.over], data[at:at+p])
		data[at+2*p+tc.over] = ^data[at+p+tc.over]
		x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
		assert.Len(t, x.repetitions(), map[bool]int{true: 1}[tc.want], "%d bytes over, fill %v", tc.over, tc.fill)
	}
}

// Where all bytes say little, a repetition says more for itself.
func TestDenseRepetition(t *testing.T) {
	info := new([256]float64)
	for v := range info {
		info[v] = 6
	}
	s := &span{data: make([]byte, 4096)}
	r := &repetition{span: s, repeatRun: repeatRun{start: 1024, end: 1088, period: 32}, first: 1024, copies: 2, bits: 6 * 32}
	six := r.lies(info)
	r.bits = 7 * 32
	assert.InDelta(t, six-0.9+scoreAlike*(6.0/7-1), r.lies(info), 1e-9)
}

// Even an image full of repeated blocks is judged in little time and says what
// was left out.
func TestManyRepeats(t *testing.T) {
	data := make([]byte, 1<<20)
	r := rand.New(rand.NewPCG(6, 11))
	for i := range data {
		data[i] = byte(r.Uint32())
	}
	for i := 0; i+96 <= len(data); i += 96 {
		copy(data[i+32:i+64], data[i:i+32])
	}
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	x.checkRepeats()
	assert.Len(t, x.findings, maxJoints)
	require.Len(t, x.unjudged, 1)
	assert.Contains(t, x.unjudged[0], "10,922 stretches")
}
