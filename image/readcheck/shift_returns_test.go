package readcheck

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// endings is noise without words, in whose second half code stands at every
// 512 bytes: functions that end there.
func endings(code string, size int) []byte {
	r := rand.New(rand.NewPCG(6, 7))
	data := make([]byte, size)
	for i := range data {
		data[i] = byte(r.Uint32())
	}
	for at := size / 2; at < size; at += 512 {
		copy(data[at:], code)
	}
	return data
}

// A byte lost long before the code is found by every kind of return, in the
// right direction where words have four bytes, and none in the image as it was.
func TestReturnsShowAShift(t *testing.T) {
	for _, code := range returnCodes {
		require.Len(t, code.bytes, 4)
		data := endings(code.bytes, 64<<10)
		require.Empty(t, shiftsIn(t, data), "% X", code.bytes)
		for change, bad := range map[string][]byte{"lost": lose(data, 9000), "doubled": double(data, 9000)} {
			list := shiftsIn(t, bad)
			require.Len(t, list, 1, "% X", code.bytes)
			if code.grain == 2 {
				change = "lost or doubled"
			}
			assert.Contains(t, list[0].Message, "a byte was "+change+" between")
			assert.Contains(t, list[0].Message, "64 of 64 functions")
		}
	}
}

// The stretch is taken in which most lie beside multiples.
func TestAlignedFrom(t *testing.T) {
	at := []int32{0, 10, 20, 30, 40, 50, 60, 70}
	sh, v := alignedFrom(at, []int32{4, 8, 7, 12, 11, 15, 3, 6}, 0, 4, -1)
	assert.Equal(t, shift{move: -1, sure: true, from: 30, to: 40}, sh)
	assert.Equal(t, alignVotes{yes: 3, all: 4}, v, "6 says nothing")
	_, v = alignedFrom(at, []int32{3, 7, 7, 11, 3, 7, 15, 4}, 0, 4, -1)
	assert.Equal(t, alignVotes{yes: 7, no: 1, all: 8}, v)
	_, v = alignedFrom(at, []int32{3, 7, 7, 11, 4, 8, 16, 4}, 0, 4, -1)
	assert.Equal(t, alignVotes{}, v)
}

// What lies between, or belongs to too few functions, says nothing.
func TestReturnsThatSayNothing(t *testing.T) {
	blr := returnCodes[0].bytes
	data := endings(blr, 64<<10)
	sh, v := returnShift(lose(data, 50_000), 0)
	assert.Equal(t, alignVotes{yes: 30, all: 30}, v, "those in front are at multiples of 4")
	assert.Less(t, sh.from, 50_000)
	assert.GreaterOrEqual(t, sh.to, 50_000)

	_, v = returnShift(data, 1)
	assert.Equal(t, 64, v.yes, "multiples of 4 count from address 0")

	mixed := lose(endings(blr, 64<<10), 9000)
	for at := 32 << 10; at+512 < 64<<10; at += 512 {
		copy(mixed[at+100:], blr) // at multiples of 4, as in another file behind
	}
	assert.Empty(t, shiftsIn(t, mixed))

	odd := endings(blr, 64<<10)
	for at := 32 << 10; at < 64<<10; at += 512 {
		copy(odd[at+257+at/512%2:], "\x4E\x80\x00\x20") // a table of bytes that look like it, anywhere
		clear(odd[at : at+4])
	}
	assert.Empty(t, shiftsIn(t, odd))

	few := endings(blr, 64<<10)
	clear(few[:64<<10-5*512])
	assert.Empty(t, shiftsIn(t, lose(few, 9000)))
}
