package readcheck

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
)

func examineBytes(t testing.TB, data []byte) *Report {
	t.Helper()
	rep, err := Examine(nil, imageOf(t, data))
	require.NoError(t, err)
	return rep
}

func findingOf(t testing.TB, rep *Report, code string) evidence.Finding {
	t.Helper()
	for _, f := range rep.Findings {
		if f.Code == code {
			return f
		}
	}
	t.Fatalf("no finding %q among %v", code, rep.Findings)
	return evidence.Finding{}
}

func TestShiftIsPlaced(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(11, 1)), 128<<10)
	for _, at := range []int{20001, 65537, 110003} {
		lost := append(append(bytes.Clone(data[:at]), data[at+1:]...), 0xFF)
		f := findingOf(t, examineBytes(t, lost), "shifted")
		assert.InDelta(t, at, f.Ranges[0].Start, 4096, "lost at %d", at)
		assert.Contains(t, f.Message, "a byte was lost")
		doubled := append(bytes.Clone(data[:at+1]), data[at:len(data)-1]...)
		f = findingOf(t, examineBytes(t, doubled), "shifted")
		assert.InDelta(t, at, f.Ranges[0].Start, 4096, "doubled at %d", at)
		assert.Contains(t, f.Message, "a byte was doubled")
	}
}

func TestSizes(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(12, 1)), 64<<10)
	for n, code := range map[int]string{
		64<<10 - 1: "size-near", 64<<10 + 2: "size-near", 48<<10 + 1: "size-near",
		50001: "size-odd", 64<<10 - 200: "size-odd", 56 << 10: "size-odd", 200: "size-odd",
	} {
		rep := examineBytes(t, append(bytes.Clone(data), data...)[:n])
		assert.Contains(t, codes(rep.Findings), code, "%d bytes", n)
	}
	for _, n := range []int{64 << 10, 48 << 10, 96 << 10, 128, 100} {
		rep := examineBytes(t, append(bytes.Clone(data), data...)[:n])
		assert.NotContains(t, codes(rep.Findings), "size-near", "%d bytes", n)
		assert.NotContains(t, codes(rep.Findings), "size-odd", "%d bytes", n)
	}
}

func TestBlank(t *testing.T) {
	rep := examineBytes(t, bytes.Repeat([]byte{0xFF}, 64<<10))
	assert.Equal(t, evidence.Fail, rep.Verdict)
	assert.Contains(t, codes(rep.Findings), "blank")
	assert.Contains(t, codes(examineBytes(t, nil).Findings), "blank")
}

func TestByteOrder(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(13, 1)), 64<<10)
	for _, tc := range []struct {
		name, code, says string
		from             func(i, n int) int
	}{
		{"16-bit words", "bytes-swapped", "swapped = 2", func(i, _ int) int { return i ^ 1 }},
		{"32-bit words", "bytes-swapped", "swapped = 4", func(i, _ int) int { return i ^ 3 }},
		{"two halves", "interleaved", "two file ranges", func(i, n int) int { return i%(n/2)*2 + i/(n/2) }},
		{"four quarters", "interleaved", "four file ranges", func(i, n int) int { return i%(n/4)*4 + i/(n/4) }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			out := make([]byte, len(data))
			for i := range out {
				out[i] = data[tc.from(i, len(data))]
			}
			assert.Contains(t, findingOf(t, examineBytes(t, out), tc.code).Message, tc.says)
		})
	}
}

func TestTextOfOthers(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(14, 1)), 64<<10)
	page := []byte("HTTP/1.1 404 Not Found\r\n\r\n<!doctype html><html><head><title>Not found</title></head><body>gone</body></html>")
	copy(data[0x2000:], page)
	f := findingOf(t, examineBytes(t, data), "html-text")
	assert.LessOrEqual(t, f.Ranges[0].Start, uint64(0x2000))
	assert.Greater(t, f.Ranges[0].End(), uint64(0x2000+len(page)-1))

	clear(data[0x1F00:0x2200])
	copy(data[0x2000:], "bench login: mechanic\r\nPassword: \r\n$ dump\r\ndump: command not found\r\n")
	assert.Contains(t, codes(examineBytes(t, data).Findings), "session-text")

	clear(data[0x1F00:0x2200])
	copy(data[0x2000:], "Usage: pump [options]\n  error: none\n  see the manual for the limits of the pump\n")
	assert.Empty(t, alarms(examineBytes(t, data)), "a program's own text is no session")
}

func TestHighEntropyIsANoteWithoutMap(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(15, 1)), 64<<10)
	r := rand.New(rand.NewPCG(15, 2))
	for i := 0x8000; i < 0xC000; i++ {
		data[i] = byte(r.Uint32())
	}
	f := findingOf(t, examineBytes(t, data), "high-entropy")
	assert.Equal(t, evidence.Note, f.Severity)
	assert.EqualValues(t, 0x8000, f.Ranges[0].Start)
	assert.EqualValues(t, 0x4000, f.Ranges[0].Size)
}

func TestTails(t *testing.T) {
	synth := func() []byte { return faults.Synth(rand.New(rand.NewPCG(16, 1)), 64<<10) }
	for name, tc := range map[string]struct {
		change func(d []byte)
		code   string
	}{
		"erased":       {func(d []byte) { fillWith(d[0xC000:], []byte{0xFF}) }, "tail-constant"},
		"zeros":        {func(d []byte) { clear(d[0xC000:]) }, "tail-constant"},
		"pattern of 4": {func(d []byte) { fillWith(d[0xC000:], []byte{0xDE, 0xAD, 0xBE, 0xEF}) }, "tail-constant"},
		"pattern of 3": {func(d []byte) { fillWith(d[0xC000:], []byte("EOF")) }, "tail-constant"},
		"last block":   {func(d []byte) { fillWith(d[0xC000:], d[0xBF80:0xC000]) }, "tail-repeats"},
		"wrapped":      {func(d []byte) { copy(d[0xC010:], d[:0x3FF0]) }, "tail-copy"},
	} {
		t.Run(name, func(t *testing.T) {
			data := synth()
			tc.change(data)
			f := findingOf(t, examineBytes(t, data), tc.code)
			assert.InDelta(t, 0xC000, f.Ranges[0].Start, 0x100)
			assert.EqualValues(t, 0x10000, f.Ranges[0].End())
		})
	}
}
