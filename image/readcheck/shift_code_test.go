package readcheck

import (
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/readcheck/internal/faults"
)

// codeStyle says what machineCode writes.
type codeStyle struct {
	grain int  // functions begin at multiples of it
	calls bool // functions call each other
	texts bool // functions take the address of texts, which stand behind all code
}

// machineCode is an image of size bytes in x86 code of 64 bits: functions of plain
// instructions with jumps inside them, between a quarter and three quarters of it,
// and texts behind. What stands in front and at the end is noise without words.
func machineCode(seed uint64, size int, style codeStyle) []byte {
	r := rand.New(rand.NewPCG(seed, 77))
	data := make([]byte, size)
	for i := range data {
		data[i] = byte(r.Uint32())
	}
	texts := []int{}
	text := size * 5 / 8
	for at := text; at < size*3/4; {
		texts = append(texts, at)
		n := 5 + r.IntN(30)
		data[at-1] = 0
		for range n {
			data[at] = byte('a' + r.IntN(26))
			at++
		}
		data[at] = 0
		at++
	}
	plain := [][]byte{ // MOV, ADD, TEST, CMP, PUSH, POP, LEA, MOVZX, NOP and others
		{0x48, 0x89, 0xC3}, {0x48, 0x01, 0xD8}, {0x85, 0xC0}, {0x83, 0xF8, 0x07}, {0x53}, {0x5B}, {0x48, 0x8D, 0x44, 0x24, 0x18},
		{0x0F, 0xB6, 0x07}, {0x90}, {0xC7, 0x44, 0x24, 0x08, 1, 0, 0, 0}, {0x48, 0x8B, 0x45, 0xF8}, {0x31, 0xD2}, {0xB8, 0x34, 0x12, 0, 0},
	}
	type hole struct{ at, end int }
	var calls []hole
	var functions []int
	for at := size / 4; at < text-1000; {
		at = (at + style.grain - 1) / style.grain * style.grain
		functions = append(functions, at)
		starts := []int{}
		var jumps []hole
		for len(starts) < 120 {
			starts = append(starts, at)
			put := func(b ...byte) {
				copy(data[at:], b)
				at += len(b)
			}
			switch k := r.IntN(10); {
			case k < 4:
				put([]byte{0x74, 0x75, 0x7E, 0xEB, 0x72}[r.IntN(5)], 0)
				jumps = append(jumps, hole{at - 1, at})
			case k == 4 && style.calls:
				put(callCode, 0, 0, 0, 0)
				calls = append(calls, hole{at - 4, at})
			case k == 5 && style.texts:
				put(0x48, 0x8D, 0x3D, 0, 0, 0, 0)
				binary.LittleEndian.PutUint32(data[at-4:], uint32(texts[r.IntN(len(texts))]-at))
			default:
				put(plain[r.IntN(len(plain))]...)
			}
		}
		starts = append(starts, at)
		data[at] = 0xC3
		at++
		for i := at; i < at+style.grain; i++ {
			data[i] = 0x90
		}
		for _, j := range jumps {
			near := slices.DeleteFunc(slices.Clone(starts), func(to int) bool { return to-j.end < -120 || to-j.end > 120 || to == j.end || to == j.at-1 })
			data[j.at] = byte(near[r.IntN(len(near))] - j.end)
		}
	}
	for _, c := range calls {
		binary.LittleEndian.PutUint32(data[c.at:], uint32(functions[r.IntN(len(functions))]-c.end))
	}
	return data
}

// Each kind of reference shows a lost byte without the others, in both
// directions and near the place, and shows nothing in the images as they were.
func TestCodeShiftsAreFound(t *testing.T) {
	const size = 64 << 10
	r := rand.New(rand.NewPCG(3, 4))
	for name, tc := range map[string]struct {
		style    codeStyle
		from, to int    // where bytes are lost
		says     string // in the finding
		least    int    // of 20 that are found: between two functions no jump crosses
	}{
		"jumps inside functions":       {codeStyle{grain: 1}, 20 << 10, 36 << 10, "one byte beside what it means", 15},
		"texts behind the code":        {codeStyle{grain: 1, texts: true}, 41 << 10, 47 << 10, "one byte beside what it means", 20},
		"functions at multiples of 16": {codeStyle{grain: 16, calls: true}, 1 << 10, 15 << 10, "one byte beside multiples of 16", 20},
	} {
		data := machineCode(1, size, tc.style)
		require.Empty(t, shiftsIn(t, data), name)
		found := 0
		for range 10 {
			at := tc.from + r.IntN(tc.to-tc.from)
			for change, bad := range map[string][]byte{"lost": lose(data, at), "doubled": double(data, at)} {
				list := shiftsIn(t, bad)
				if len(list) == 0 {
					continue
				}
				found++
				require.Len(t, list, 1)
				assert.Contains(t, list[0].Message, change, "%s at 0x%X", name, at)
				assert.Contains(t, list[0].Message, tc.says, name)
				assert.EqualValues(t, size, list[0].Ranges[0].End())
			}
		}
		assert.GreaterOrEqual(t, found, tc.least, name)
	}
}

// What looks like jumps in a table of equal records leads beside what looks
// like instructions there, all of it alike: no shift. Nor do calls to places that
// keep to no multiples, in images that begin at an odd address.
func TestNoShiftInWhatLooksLikeCode(t *testing.T) {
	table := make([]byte, 64<<10)
	r := rand.New(rand.NewPCG(5, 5))
	for i := 0; i+6 <= len(table); i += 6 {
		copy(table[i:], []byte{0x74, byte(4 + 6*r.IntN(8)), 0x38, 0xC0, 0x90, 0x90})
		if i > 30000 && i < 30200 {
			table[i+1]++ // to 0xC0, which is no instruction of its own
		}
	}
	code := sweepOf(table)
	_, v := code.refShift()
	assert.GreaterOrEqual(t, v.yes, 2, "there is something to be taken wrongly: %+v", v)
	assert.False(t, v.clean())
	assert.Empty(t, shiftsIn(t, table))

	// Where functions begin anywhere, some lie beside multiples of 16.
	data := make([]byte, 64<<10)
	for _, tc := range []struct{ every, want int }{{5, 0}, {4, 1}} {
		code := &codeSweep{data: data, start: newPlaces(len(data))}
		for i := range int32(16 * tc.every) {
			to := 1600 + 16*i + 1
			if int(i)%tc.every != 0 {
				to += 1 + i%14
			}
			code.refs = append(code.refs, codeRef{at: 20 * i, to: to, kind: refCall})
		}
		x := &examiner{lim: limitsFor(nil)}
		x.shiftInCode(&span{data: data}, code)
		assert.Len(t, x.findings, tc.want, "every %d.", tc.every)
	}

	packed := machineCode(2, 64<<10, codeStyle{grain: 1, calls: true, texts: true})
	assert.Empty(t, shiftsIn(t, packed))
	assert.NotEmpty(t, shiftsIn(t, lose(packed, 30000)))
}

// The multiples of 16 are those of the address, not of the offset in a span.
func TestAlignmentCountsFromAddressZero(t *testing.T) {
	data := machineCode(3, 64<<10, codeStyle{grain: 16, calls: true})
	code := sweepOf(data)
	_, v := code.alignShift(0x8000)
	assert.Zero(t, v.yes)
	sh, v := code.alignShift(0x8001)
	assert.Equal(t, 1, sh.move)
	assert.Equal(t, v.all, v.yes)
	assert.Greater(t, v.yes, 20)
}

// A place counts once, however many jumps lead to it, and a distance that no linker filled in
// leads nowhere. Behind a gap of zeros code begins where the gap ends.
func TestReferencesThatCount(t *testing.T) {
	code := []byte{}
	for range codeRefs {
		code = append(code, 0x75, byte(100-len(code)-2), callCode, 0, 0, 0, 0, callCode, 0xFC, 0xFF, 0xFF, 0xFF)
	}
	for range 10 {
		code = append(code, 0x90)
	}
	s := sweepAs(append(code, make([]byte, 300)...), 32)
	assert.Len(t, s.refs, codeRefs, "the jumps, and none of the calls")
	assert.Len(t, s.farthest(), 1)

	gap := append([]byte{0x90}, make([]byte, 39)...) // read as ADD, the zeros would end amid what follows
	gap = append(gap, 0x55, 0x53, 0x90, 0x90)
	assert.True(t, sweepAs(append(gap, make([]byte, 16)...), 32).start.has(40))
}

// Only code of many jumps that all lead to instructions lets two others speak.
func TestCleanCode(t *testing.T) {
	side := func() nearRefs {
		return nearRefs{fit: nearFit, codes: map[byte]bool{0x74: true, 0x75: true, 0x0F: true, 0xE8: true}}
	}
	for name, tc := range map[string]struct {
		change func(n *nearRefs)
		want   bool
	}{
		"code":                      {func(*nearRefs) {}, true},
		"few jumps":                 {func(n *nearRefs) { n.fit-- }, false},
		"one beside an instruction": {func(n *nearRefs) { n.not = 1 }, false},
		"jumps of one kind":         {func(n *nearRefs) { n.codes = map[byte]bool{0xEB: true} }, false},
		"text: only conditions":     {func(n *nearRefs) { delete(n.codes, 0xE8); n.codes[0x72] = true }, false},
	} {
		for i := range 2 {
			v := refVotes{near: [2]nearRefs{side(), side()}}
			tc.change(&v.near[i])
			assert.Equal(t, tc.want, v.clean(), "%s, side %d", name, i)
		}
	}
}

// Code is known by its jumps, and its width by its prefixes.
func TestSweepKnowsCode(t *testing.T) {
	assert.Nil(t, sweepOf(nil))
	assert.Nil(t, sweepOf(make([]byte, 1<<16)))
	noise := make([]byte, 1<<16)
	r := rand.New(rand.NewPCG(1, 9))
	for i := range noise {
		noise[i] = byte(r.Uint32())
	}
	assert.Nil(t, sweepOf(noise))
	wide := machineCode(4, 64<<10, codeStyle{grain: 1, texts: true})
	kinds := map[refKind]int{}
	for _, r := range sweepOf(wide).refs {
		kinds[r.kind]++
	}
	assert.Greater(t, kinds[refData], 100)
	narrow := slices.Clone(wide)
	for i, b := range narrow {
		if b&0xF0 == 0x40 {
			narrow[i] = 0x90 // NOP: in 32 bits LEA of an absolute address
		}
	}
	for _, r := range sweepOf(narrow).refs {
		require.NotEqual(t, refData, r.kind)
	}
}

// Near the end of an image few windows are enough, in front of which there are
// many; at the beginning they are not: an index stands there.
func TestShiftNearTheEnd(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 3))
	data := faults.Synth(r, 64<<10)
	x := &examiner{lim: limitsFor(nil)}
	for _, at := range []int{64<<10 - 1500, 64<<10 - 1100} {
		bad := lose(data, at)
		_, g := phaseShift(bad)
		require.Less(t, g.behind.forIt, x.lim.shiftWindows)
		assert.NotEmpty(t, shiftsIn(t, bad), "at 0x%X: %+v", at, g)
	}
	bad := lose(data, 1100)
	_, g := phaseShift(bad)
	require.GreaterOrEqual(t, g.points(), x.lim.shiftEndScore)
	assert.Empty(t, shiftsIn(t, bad))
	g.front, g.behind = g.behind, g.front
	assert.True(t, x.shownByPhases(g))
	x.lim.shiftWindows = 1
	assert.True(t, x.shownByPhases(g), "what a map says of all places holds near the end too")
}
