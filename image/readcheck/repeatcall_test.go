package readcheck

import (
	"encoding/binary"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The instructions and where they lead, counted from their first byte, are as
// objdump of GNU binutils 2.40 disassembles them.
func TestCallForms(t *testing.T) {
	const at = 0x2000
	for _, tc := range []struct {
		cpu      string
		code     []byte
		distance int
	}{
		{"x86", []byte{0xE8, 0xF6, 0xFF, 0xFF, 0xFF}, -5},
		{"x86", []byte{0xE8, 0x00, 0x01, 0x00, 0x00}, 0x105},
		{"ARM", []byte{0xFD, 0xFF, 0xFF, 0xEB}, -4},
		{"ARM", []byte{0x00, 0x00, 0x00, 0xEB}, 8},
		{"Thumb", []byte{0x00, 0xF0, 0x00, 0xF8}, 4},
		{"Thumb", []byte{0xFF, 0xF7, 0xFC, 0xFF}, -4},
		{"ARM64", []byte{0xFF, 0xFF, 0xFF, 0x97}, -4},
		{"PowerPC", []byte{0x4B, 0xFF, 0xFF, 0xFD}, -4},
		{"PowerPC", []byte{0x48, 0x00, 0x00, 0x09}, 8},
		{"SPARC", []byte{0x7F, 0xFF, 0xFF, 0xFF}, -4},
		{"SPARC", []byte{0x40, 0x00, 0x00, 0x02}, 8},
		{"RISC-V", []byte{0xEF, 0xF0, 0xDF, 0xFF}, -4},
		{"RISC-V", []byte{0xEF, 0x00, 0x80, 0x00}, 8},
		{"RISC-V", []byte{0x97, 0x10, 0x00, 0x00, 0xE7, 0x80, 0x80, 0x00}, 0x1008},
		{"68000", []byte{0x61, 0x00, 0x00, 0x02}, 4},
		{"68000", []byte{0x61, 0xFF, 0xFF, 0xFF, 0xFF, 0xF0}, -14},
		{"S/390", []byte{0xC0, 0xE5, 0x00, 0x00, 0x00, 0x04}, 8},
		{"S/390", []byte{0xC0, 0xE5, 0xFF, 0xFF, 0xFF, 0xFD}, -6},
	} {
		s := &span{data: make([]byte, 0x4000)}
		copy(s.data[at:], tc.code)
		found := map[string]int{}
		for k := range callForms {
			callForms[k].each(s, 0, len(s.data), func(from, to int) {
				assert.Equal(t, at, from, tc.cpu)
				found[callForms[k].cpu] = to - at
			})
		}
		assert.Contains(t, found, tc.cpu, "% X", tc.code)
		assert.Equal(t, tc.distance, found[tc.cpu], "%s: % X", tc.cpu, tc.code)
	}
}

// Calls stand where instructions may stand, by their address.
func TestCallsKeepToTheirStep(t *testing.T) {
	bl := []byte{0x48, 0x00, 0x00, 0x09}
	for start, want := range map[uint64]int{0: 0, 1: 0, 2: 1} {
		s := &span{start: start, data: make([]byte, 64)}
		copy(s.data[2:], bl)
		n := 0
		for k := range callForms {
			if callForms[k].cpu == "PowerPC" {
				callForms[k].each(s, 0, len(s.data), func(int, int) { n++ })
			}
		}
		assert.Equal(t, want, n, "from address %d", start)
	}
}

// callTo writes a call that stands at at and leads to to.
var callTo = map[string]func(d []byte, at, to int){
	"x86": func(d []byte, at, to int) {
		d[at] = 0xE8
		binary.LittleEndian.PutUint32(d[at+1:], uint32(to-at-5))
	},
	"PowerPC": func(d []byte, at, to int) {
		binary.BigEndian.PutUint32(d[at:], 0x48000001|uint32(to-at)&0x03FFFFFC)
	},
	"ARM": func(d []byte, at, to int) {
		binary.LittleEndian.PutUint32(d[at:], 0xEB000000|uint32(to-at-8)>>2&0xFFFFFF)
	},
}

// A block that was delivered again calls a function from its first copy only.
func TestCalledFromFirst(t *testing.T) {
	const at, p, function = 0x3000, 64, 0x9100
	for cpu, call := range callTo {
		for name, tc := range map[string]struct {
			change func(d []byte)
			want   bool
		}{
			"a function that others call": {func(d []byte) { call(d, 0x1000, function) }, true},
			"a place that nothing else calls": {func(d []byte) {
				call(d, 0x1000, function+0x400)
			}, false},
			"both places are called": {func(d []byte) {
				call(d, 0x1000, function)
				call(d, 0x2000, function+p)
			}, false},
			"the place of the second copy is called": {func(d []byte) { call(d, 0x1000, function+p) }, false},
			"no call": {func(d []byte) {
				call(d, 0x1000, function)
				clear(d[at+16 : at+24])
			}, false},
		} {
			t.Run(cpu+"/"+name, func(t *testing.T) {
				data := make([]byte, 64<<10)
				r := rand.New(rand.NewPCG(6, 12))
				for i := range data {
					data[i] = byte(r.IntN(0x40)) // no call by chance
				}
				call(data, at+16, function)
				tc.change(data)
				copy(data[at+p:at+2*p], data[at:at+p])
				x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
				list := x.repetitions()
				require.Len(t, list, 1)
				require.Equal(t, at, list[0].first)
				assert.Equal(t, []bool{tc.want}, x.c.calledFromFirst(list))
				assert.Equal(t, tc.want, list[0].score > 12, "%.1f points", list[0].score)
			})
		}
	}
}

// A call of one repetition is elsewhere for another, but only that in its first
// copy says something.
func TestCalledFromAnotherRepetition(t *testing.T) {
	data := make([]byte, 64<<10)
	r := rand.New(rand.NewPCG(6, 13))
	for i := range data {
		data[i] = byte(r.IntN(0x40))
	}
	for _, at := range []int{0x3000, 0x5000} {
		callTo["x86"](data, at+16, 0x9100)
		copy(data[at+64:at+128], data[at:at+64])
	}
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	assert.Equal(t, []bool{true, true}, x.c.calledFromFirst(x.repetitions()))
}
