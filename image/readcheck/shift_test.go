package readcheck

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
)

// callingCode is noise with x86 calls to a few functions: code that keeps to
// no words.
func callingCode(size int) []byte {
	r := rand.New(rand.NewPCG(5, 6))
	data := make([]byte, size)
	for i := range data {
		data[i] = byte(r.Uint32())
	}
	places := make([]int, 40)
	for i := range places {
		places[i] = r.IntN(size)
	}
	for at := 20; at+callSize < size; at += 40 + r.IntN(80) {
		data[at] = callCode
		binary.LittleEndian.PutUint32(data[at+1:], uint32(places[r.IntN(len(places))]-at-callSize))
	}
	return data
}

// table is a memory of smooth values of width bytes, in the byte order given,
// between instructions of as many bytes.
func table(r *rand.Rand, size, width int, order binary.AppendByteOrder) []byte {
	out := make([]byte, 0, size+8)
	put := func(v uint32) {
		if width == 2 {
			out = order.AppendUint16(out, uint16(v))
		} else {
			out = order.AppendUint32(out, v)
		}
	}
	v := 1000
	for len(out) < size {
		for range 300 {
			v = max(v+r.IntN(61)-30, 0)
			put(uint32(v))
		}
		for range 300 {
			put(uint32(r.IntN(20))<<(8*width-6) | uint32(r.IntN(100)))
		}
	}
	return out[:size]
}

func lose(data []byte, at int) []byte {
	return append(append(bytes.Clone(data[:at]), data[at+1:]...), 0xFF)
}

func double(data []byte, at int) []byte {
	return append(bytes.Clone(data[:at+1]), data[at:len(data)-1]...)
}

func shiftsIn(t testing.TB, data []byte) []evidence.Finding {
	t.Helper()
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	x.checkShift()
	for _, f := range x.findings {
		require.Equal(t, CodeShifted, f.Code)
	}
	return x.findings
}

// Shifts are found in both directions, for words of any size and order, and
// nothing is found in the same images as they were.
func TestShiftsAreFound(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 3))
	images := map[string][]byte{
		"instructions":         faults.Synth(r, 64<<10),
		"16 bit big-endian":    table(r, 64<<10, 2, binary.BigEndian),
		"16 bit little-endian": table(r, 64<<10, 2, binary.LittleEndian),
		"32 bit big-endian":    table(r, 64<<10, 4, binary.BigEndian),
		"32 bit little-endian": table(r, 64<<10, 4, binary.LittleEndian),
		"x86 calls":            callingCode(64 << 10),
	}
	const each = 12
	for name, data := range images {
		require.Empty(t, shiftsIn(t, data), name)
		found := 0
		for range each {
			at := len(data)/10 + r.IntN(len(data)*8/10)
			for change, bad := range map[string][]byte{"lost": lose(data, at), "doubled": double(data, at)} {
				list := shiftsIn(t, bad)
				if len(list) == 0 {
					t.Logf("%s: byte %s at 0x%X was missed", name, change, at)
					continue
				}
				found++
				require.Len(t, list, 1)
				assert.Contains(t, list[0].Message, change, "%s at 0x%X", name, at)
				assert.InDelta(t, at, list[0].Ranges[0].Start, 4096, "%s: %s", name, list[0].Message)
				assert.EqualValues(t, len(data), list[0].Ranges[0].End())
				assert.Contains(t, list[0].Message, "read the whole memory again")
			}
		}
		assert.GreaterOrEqual(t, found, 2*each-1, name)
	}
}

// In words of two bytes a lost byte and a doubled one look alike.
func TestShiftWithoutDirection(t *testing.T) {
	data := table(rand.New(rand.NewPCG(8, 3)), 64<<10, 2, binary.BigEndian)
	list := shiftsIn(t, lose(data, 30000))
	require.Len(t, list, 1)
	assert.Contains(t, list[0].Message, "lost or doubled")
}

// Noise, text, fill and parts with words of their own are no shift.
func TestNoShift(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 3))
	noise := make([]byte, 64<<10)
	for i := range noise {
		noise[i] = byte(r.Uint32())
	}
	for name, data := range map[string][]byte{
		"noise":             noise,
		"noise, one lost":   lose(noise, 30000),
		"fill":              bytes.Repeat([]byte{0xFF}, 64<<10),
		"text":              bytes.Repeat([]byte("park brake off\n"), 4000),
		"calls":             bytes.Repeat([]byte{callCode}, 64<<10),
		"short":             {callCode, 1, 2},
		"instructions, two": append(faults.Synth(r, 32<<10), faults.Synth(r, 32<<10)...),
	} {
		assert.Empty(t, shiftsIn(t, data), name)
	}
}

// Calls across a place that lead where they should refute what the phases say.
func TestCallsRefuteAShift(t *testing.T) {
	list := callsOf(callingCode(64 << 10))
	v := votesOfCalls(list, firstCall(list, 30000), -1)
	assert.Zero(t, v.yes)
	assert.Greater(t, v.no, 30) // of 40 places
}

// One byte that looks like a call beside a place that is called often later
// says nothing, however often that is.
func TestCallsOfOnePlaceCountOnce(t *testing.T) {
	list := []call{{at: 10, to: 4999}}
	for i := range 50 {
		list = append(list, call{at: int32(1000 + 10*i), to: 5000})
	}
	assert.Equal(t, callVotes{yes: 1}, votesOfCalls(list, 1, 1))
}

// Many calls are thinned out without losing what they agree on.
func TestManyCalls(t *testing.T) {
	data := callingCode(24 << 20)
	list := callsOf(data)
	assert.Less(t, len(list), mostCall)
	assert.Greater(t, len(list), mostCall/8)
	sh, v := callShift(callsOf(lose(data, 5_000_000)))
	assert.Equal(t, -1, sh.move)
	assert.InDelta(t, 5_000_000, sh.from, 20_000)
	assert.Greater(t, v.yes, 3) // the places that were not left out
	assert.Zero(t, v.no)
}
