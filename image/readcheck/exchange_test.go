package readcheck

import (
	"encoding/binary"
	"fmt"
	"math/bits"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps"
)

// exchangedBy exchanges two address lines.
func exchangedBy(a, b int) func([]byte) []byte {
	return func(d []byte) []byte {
		bad := make([]byte, len(d))
		for i := range bad {
			bad[i] = d[exchangedAddress(i, a, b)]
		}
		return bad
	}
}

// program is the program of the demo, 128 KiB.
func program(t *testing.T) []byte {
	_, data := scenario(t, "backup.bin")
	return data[:128<<10]
}

// linesOf returns what the check says of the lines of data.
func linesOf(data []byte) []exchange {
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	x.checkExchanged()
	return x.exchanged
}

func TestExchangedLinesAreNamed(t *testing.T) {
	_, good := scenario(t, "backup.bin")
	assert.Empty(t, linesOf(good))
	for _, lines := range [][2]int{{0, 9}, {1, 12}, {2, 3}, {3, 8}, {4, 5}, {5, 14}, {7, 8}, {9, 11}, {12, 17}} {
		a, b := lines[0], lines[1]
		f := only(t, alarms(examineBytes(t, exchangedBy(a, b)(good))), CodeAddressLinesSwapped)
		assert.Contains(t, f.Message, fmt.Sprintf("address lines %d and %d exchanged", a, b))
		assert.Equal(t, evidence.Caution, f.Severity)
		assert.Equal(t, []image.Range{{Size: uint64(len(good))}}, f.Ranges)
	}
}

// only returns the finding of code among list, of which there must be one.
func only(t *testing.T, list []evidence.Finding, code string) (found evidence.Finding) {
	t.Helper()
	n := 0
	for _, f := range list {
		if f.Code == code {
			found = f
			n++
		}
	}
	require.Equal(t, 1, n, "%s in %v", code, list)
	return found
}

// An exchange takes a whole memory, and blocks of an image that begins at an odd
// address are not those of its lines.
func TestExchangedLinesNeedAMemory(t *testing.T) {
	bad := exchangedBy(2, 11)(program(t)[:64<<10])
	require.Len(t, linesOf(bad), 1)
	assert.Empty(t, linesOf(bad[:len(bad)-100]), "no memory has that size")
	assert.Empty(t, linesOf(bad[:leastExchanged/2]))
	for start, want := range map[uint64]int{0x80000: 1, 0x80400: 0} {
		x := &examiner{c: contentOf(start, bad), lim: limitsFor(nil)}
		x.checkExchanged()
		assert.Len(t, x.exchanged, want, "at 0x%X", start)
	}
	three := append(bad, exchangedBy(2, 11)(program(t)[64<<10:96<<10])...)
	require.Len(t, linesOf(three), 1, "three times a power of two")
	assert.Equal(t, [2]int{2, 11}, [2]int{linesOf(three)[0].a, linesOf(three)[0].b})
}

// Records of 16 bytes look tidier with two lines exchanged: their columns then
// stand together.
func TestTablesOfRecordsAreNotExchanged(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 4))
	var table []byte
	for at := uint32(0); len(table) < 32<<10; at += 4 * uint32(1+r.IntN(60)) {
		table = binary.BigEndian.AppendUint32(table, 0x20000+at)
		table = binary.BigEndian.AppendUint32(table, uint32(r.IntN(500)))
		table = binary.BigEndian.AppendUint32(table, at/3)
		table = binary.BigEndian.AppendUint32(table, 0x12000+uint32(r.IntN(12)))
	}
	assert.Empty(t, linesOf(table))
	assert.Empty(t, linesOf(append(faults.Synth(r, 32<<10), table...)))
	random := make([]byte, 64<<10)
	for i := range random {
		random[i] = byte(r.Uint32())
	}
	assert.Empty(t, linesOf(random), "nothing belongs together")
	assert.Empty(t, linesOf(make([]byte, 64<<10)))
}

// The rules of the map have the last word.
func TestRulesJudgeExchangedLines(t *testing.T) {
	m, data := halves(t, "")
	f := only(t, withMap(t, m, exchangedBy(5, 9)(data)).Findings, CodeAddressLinesSwapped)
	assert.Equal(t, evidence.Fault, f.Severity, "said once, by the rules")

	tidy := seal(exchangedBy(5, 9)(data)) // the memory is like that
	rep := withMap(t, m, tidy)
	assert.NotContains(t, codes(rep.Findings), CodeAddressLinesSwapped, "the rules prove it")
	assert.Equal(t, evidence.Pass, rep.Verdict)

	m.Checksums = nil
	assert.Equal(t, evidence.Caution, only(t, withMap(t, m, tidy).Findings, CodeAddressLinesSwapped).Severity)
}

// A sum of words is the same in any order, so it proves none.
func TestSumsSayNothingOfTheOrder(t *testing.T) {
	const text = `format = 1
[image]
size = 0x8000
byte_order = "big"
[[region]]
name = "program"
range = "0x0+0x8000"
role = "program"
[[checksum]]
name = "all"
algorithm = "sum-32/u32be"
cover = ["0x0+0x7FFC"]
stored = { at = 0x7FFC }
`
	m, err := maps.Parse("sum.toml", []byte(text))
	require.NoError(t, err)
	sum, err := checksum.Lookup("sum-32/u32be")
	require.NoError(t, err)
	_, data := halves(t, "")
	store := func(data []byte) []byte {
		v, ok := sum.Checksum(data[:0x7FFC]).Uint64()
		require.True(t, ok)
		binary.BigEndian.PutUint32(data[0x7FFC:], uint32(v))
		return data
	}
	assert.Equal(t, evidence.Pass, withMap(t, m, store(data)).Verdict)

	bad := exchangedBy(5, 9)(data) // the last word stays where it is
	rep := withMap(t, m, bad)
	for _, f := range rep.Findings {
		assert.NotEqual(t, evidence.Fault, f.Severity, "the sum agrees: %v", f)
	}
	assert.Equal(t, evidence.Caution, only(t, rep.Findings, CodeAddressLinesSwapped).Severity)
	assert.Equal(t, evidence.Unproven, rep.Verdict)

	// Nor does a sum of bytes of the order in a word.
	m, err = maps.Parse("bytes.toml", []byte(strings.Replace(text, "u32be", "u8", 1)))
	require.NoError(t, err)
	bytesSum, err := checksum.Lookup("sum-32/u8")
	require.NoError(t, err)
	for at := 0x100; at < 0x2000; at += 0x80 {
		copy(data[at:], "the other thing that the engine thought to question another three times ")
	}
	for i := 0; i < 0x7FFC; i += 2 {
		data[i], data[i+1] = data[i+1], data[i]
	}
	v, ok := bytesSum.Checksum(data[:0x7FFC]).Uint64()
	require.True(t, ok)
	binary.BigEndian.PutUint32(data[0x7FFC:], uint32(v))
	rep = withMap(t, m, data)
	assert.Equal(t, evidence.Caution, only(t, rep.Findings, CodeBytesSwapped).Severity)
	assert.Equal(t, evidence.Unproven, rep.Verdict)
}

// A rule over one block travels with it.
func TestRulesOfOneBlockSayNothing(t *testing.T) {
	m, data := halves(t, "")
	x := &examiner{m: m, lim: limitsFor(m), c: contentOf(0, data), exchanged: []exchange{{a: 12, b: 13}}}
	rule := maps.RuleResult{Rule: m.Checksums[0].Name, Verdict: evidence.Pass, Computed: "0x12345678", Cover: []image.Range{{Size: 0x1000}}}
	severity := func() evidence.Severity {
		x.findings = nil
		x.found(CodeAddressLinesSwapped, evidence.Caution, nil, "torn")
		x.clearExchanged([]maps.RuleResult{rule})
		return x.findings[0].Severity
	}
	assert.Equal(t, evidence.Caution, severity())
	rule.Cover[0].Size = 0x2000
	assert.Equal(t, evidence.Note, severity())
}

// What is learned inside the blocks tells joints from places that are none.
func TestJointsAreLearned(t *testing.T) {
	_, data := scenario(t, "backup.bin")
	m := newJointModel(data)
	require.True(t, m.learn())
	r := rand.New(rand.NewPCG(5, 7))
	for near := range 2 {
		joints, others := 0.0, 0.0
		for range 400 {
			p, q := 16+r.IntN(30000)*16, 16+r.IntN(30000)*16
			joints += m.nats(p, p, near)
			others += m.nats(p, q, near)
		}
		assert.Greater(t, joints, 40.0)
		assert.Less(t, others, -10.0)
	}
	assert.False(t, newJointModel(make([]byte, 64<<10)).learn(), "fill teaches nothing")
}

// The weights of independent signs are known: a normal sign that is moved by d
// weighs d (its log-likelihood ratio).
func TestLogistic(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 8))
	const n = 20000
	var signs []jointSign
	for i := range 2 * n {
		s := jointSign{r.NormFloat64(), r.NormFloat64()}
		if i >= n {
			s[0] += 1.5
		}
		signs = append(signs, s)
	}
	w, bias := logistic(signs, n)
	assert.InDelta(t, 1.5, w[0], 0.1)
	assert.InDelta(t, 0, w[1], 0.1)
	assert.InDelta(t, -1.5*1.5/2, bias, 0.1)
}

// What is far apart is taken off: bytes that have to do with each other only
// because they stand in the same part say nothing.
func TestMixedPartsAreNotNeighbours(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 9))
	data := make([]byte, 64<<10)
	for i := range data {
		data[i] = byte(r.IntN(4) + 40*(i>>13))
	}
	for _, e := range lowExchanges(data, 0, bits.Len(uint(len(data)))-1) {
		assert.Less(t, e.deviations(), 3.0, "lines %d and %d", e.a, e.b)
	}
}

func TestExchangedAddress(t *testing.T) {
	for i := range 1 << 10 {
		j := exchangedAddress(i, 3, 7)
		assert.Equal(t, i, exchangedAddress(j, 3, 7))
		assert.Equal(t, bits.OnesCount(uint(i)), bits.OnesCount(uint(j)))
	}
	assert.Equal(t, 0x80, exchangedAddress(0x08, 3, 7))
	assert.Equal(t, 0x88, exchangedAddress(0x88, 3, 7))
}
