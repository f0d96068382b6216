package readcheck

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps/demo"
)

// shannon is the entropy of counted events by Shannon's definition, in bits.
func shannon[K comparable](count map[K]int, n int) float64 {
	h := 0.0
	for _, c := range count {
		p := float64(c) / float64(n)
		h -= p * math.Log2(p)
	}
	return h
}

// The layout is the mutual information by its definition, H(value) + H(place) -
// H(value and place), less (values-1)(places-1)/2n nats (Miller 1955).
func TestWordLayoutAgainstDefinition(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 1))
	for _, n := range []int{4, 1000, 4096, 70000} {
		data := faults.Synth(r, 128<<10)[:n]
		type both struct {
			v     byte
			place int
		}
		values, places, pairs := map[byte]int{}, map[int]int{}, map[both]int{}
		for i, b := range data {
			values[b]++
			places[i%4]++
			pairs[both{b, i % 4}]++
		}
		want := shannon(values, n) + shannon(places, n) - shannon(pairs, n) - float64(3*(len(values)-1))/(2*float64(n)*math.Ln2)
		bits, _ := wordLayout(data)
		assert.InDelta(t, want, bits, 1e-9, "%d bytes", n)
	}
	counter := make([]byte, 64<<10) // the value is the place: two bits, less what chance gives
	for i := range counter {
		counter[i] = byte(i % 4)
	}
	bits, _ := wordLayout(counter)
	assert.InDelta(t, 2, bits, 1e-3)
	bits, deviation := wordLayout([]byte{1, 2, 3})
	assert.Zero(t, bits)
	assert.Zero(t, deviation)
}

// In content without order the bits scatter about none as their deviation says.
func TestWordLayoutOfNoise(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	const draws = 400
	var sum, squares, told float64
	for range draws {
		data := make([]byte, 16<<10)
		for i := range data {
			data[i] = byte(r.IntN(40) * r.IntN(5))
		}
		bits, deviation := wordLayout(data)
		sum, squares, told = sum+bits, squares+bits*bits, told+deviation
	}
	mean := sum / draws
	scatter := math.Sqrt(squares/draws - mean*mean)
	assert.InDelta(t, 1, scatter/(told/draws), 0.15)
	assert.Less(t, math.Abs(mean), scatter/4)
}

func signsOf(data []byte) string { return memorySigns(contentOf(0, data).spans[0]) }

// cutFrom returns three pieces of data from its beginning on, as reads that
// stopped.
func cutFrom(data []byte) [][]byte {
	n := len(data)
	return [][]byte{data[:n/15], data[:n/3+1], data[:n-n/10]}
}

// What was read from a memory in part looks like a memory from the start; what
// other files hold does not.
func TestMemorySigns(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 3))
	files, err := demo.Files()
	require.NoError(t, err)
	images := map[string][]byte{
		"words":        faults.Synth(r, 128<<10),
		"16-bit words": {},
	}
	for range 30000 { // samples of 16 bits, big-endian, that wander
		images["16-bit words"] = binary.BigEndian.AppendUint16(images["16-bit words"], uint16(2000+r.IntN(300)))
	}
	for _, f := range files {
		if f.Name == "backup.bin" {
			images["demo"] = f.Data
		}
	}
	for name, data := range images {
		for _, part := range cutFrom(data) {
			assert.NotEmpty(t, signsOf(part), "%s, %d bytes", name, len(part))
		}
	}
	for _, name := range []string{"words", "demo"} { // bytes lost here and there, or little amid erased memory
		lossy := images[name]
		for _, at := range []int{70, 40, 20, 10} {
			lossy = lose(lossy, len(lossy)*at/100)
		}
		assert.NotEmpty(t, signsOf(lossy), name)
		sparse := bytes.Repeat([]byte{0xFF}, 900001)
		copy(sparse, images[name][:40000])
		assert.NotEmpty(t, signsOf(sparse), name)
	}
	code := machineCode(2, 64<<10, codeStyle{grain: 1, calls: true})
	assert.Regexp(t, `x86, in [4-9] of 15 samples`, signsOf(code[:58000]))
	assert.Empty(t, signsOf(append(make([]byte, 128<<10), code...)), "code in one of eight samples")

	var packed bytes.Buffer
	w, err := flate.NewWriter(&packed, flate.BestCompression)
	require.NoError(t, err)
	_, err = w.Write(images["words"])
	require.NoError(t, err)
	require.NoError(t, w.Close())
	others := map[string][]byte{
		"packed":   packed.Bytes(),
		"fill":     make([]byte, 50000),
		"pixels":   {}, // three bytes each
		"glyphs":   {}, // eleven bytes each
		"packets":  {}, // 33 bytes each, the first half of a byte always the same
		"8-bit":    {}, // a smooth table
		"a string": bytes.Repeat([]byte("no such word "), 3000),
	}
	for i := range 20000 {
		others["pixels"] = append(others["pixels"], byte(40+i/900+r.IntN(9)), byte(90+r.IntN(40)), byte(200-i/300))
		others["8-bit"] = append(others["8-bit"], byte(128+100*math.Sin(float64(i)/300)+float64(r.IntN(5))))
	}
	for range 5000 {
		glyph := make([]byte, 11)
		for i := 2; i < 9; i++ {
			glyph[i] = byte(r.IntN(8)) << 3
		}
		others["glyphs"] = append(others["glyphs"], glyph...)
		packet := make([]byte, 33)
		for i := range packet {
			packet[i] = byte(r.Uint32())
		}
		packet[0] = 0xD0 | packet[0]&0xF
		others["packets"] = append(others["packets"], packet...)
	}
	for name, data := range others {
		assert.Empty(t, signsOf(data), name)
	}
}

// How much of an order makes a layout: in one word of so many the first byte is
// below 32.
func TestHowMuchLayout(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 6))
	for _, tc := range []struct {
		every int
		bits  float64
		want  bool
	}{{1, 0.52, true}, {2, 0.13, true}, {3, 0.07, false}, {5, 0.03, false}} {
		data := make([]byte, 256<<10)
		for i := range data {
			data[i] = byte(r.Uint32())
			if i%(4*tc.every) == 0 {
				data[i] %= 32
			}
		}
		bits, _ := wordLayout(data)
		require.InDelta(t, tc.bits, bits, 0.015, "every %d.", tc.every)
		assert.Equal(t, tc.want, signsOf(data) != "", "every %d.", tc.every)
	}
}

// A size that no memory has is a caution in what looks like a memory, and a note
// elsewhere; both say what was seen.
func TestOddSizeBySigns(t *testing.T) {
	size := func(data []byte) evidence.Finding { return findingOf(t, examineBytes(t, data), "size-odd") }
	f := size(faults.Synth(rand.New(rand.NewPCG(2, 4)), 64<<10)[:50000])
	assert.Equal(t, evidence.Caution, f.Severity)
	assert.Contains(t, f.Message, "laid out in words")
	f = size(machineCode(2, 64<<10, codeStyle{grain: 1, calls: true})[:50000])
	assert.Equal(t, evidence.Caution, f.Severity)
	assert.Contains(t, f.Message, "x86")
	noise := make([]byte, 50000)
	r := rand.New(rand.NewPCG(2, 5))
	for i := range noise {
		noise[i] = byte(r.IntN(200))
	}
	f = size(noise)
	assert.Equal(t, evidence.Note, f.Severity)
	assert.Contains(t, f.Message, "no sign of one")
	rep := examineBytes(t, noise)
	assert.Equal(t, evidence.Unproven, rep.Verdict)
	told := strings.Join(rep.NotJudged, "\n")
	assert.Contains(t, told, "holes, erased parts")
	assert.Contains(t, told, "exchanged address lines are looked for in images of 16,384 bytes or more")
	assert.NotContains(t, strings.Join(examineBytes(t, append(bytes.Clone(noise), noise...)[:64<<10]).NotJudged, "\n"), "exchanged")

	// Records that stand again mean something in a memory only; a line at rest
	// does in any file.
	severities := func(data []byte) map[string]evidence.Severity {
		found := map[string]evidence.Severity{}
		for _, f := range examineBytes(t, data).Findings {
			found[f.Code] = f.Severity
		}
		return found
	}
	for _, at := range []int{4096, 4608, 5120, 5632} {
		copy(noise[at:], noise[2048:2560])
	}
	assert.Equal(t, map[string]evidence.Severity{CodeSizeOdd: evidence.Note, CodeBlockRepeated: evidence.Note}, severities(noise))
	for _, size := range []int{60 << 10, 64 << 10} {
		whole := append(bytes.Clone(noise), noise...)[:size]
		assert.Equal(t, evidence.Fault, severities(whole)[CodeBlockRepeated], "a memory may have %d bytes", size)
	}
	for i := range noise {
		noise[i] |= 4
	}
	assert.Equal(t, evidence.Fault, severities(noise)[CodeDataLineStuck])
}
