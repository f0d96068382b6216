package readcheck

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps"
)

// anchored is a map of a memory of 32 KiB with the rules and fields of extra,
// and an image without any of them.
func anchored(t *testing.T, extra string) (*maps.Map, []byte) {
	t.Helper()
	m, err := maps.Parse("anchored.toml", []byte("format = 1\n[image]\nsize = 0x8000\nbyte_order = \"big\"\n"+
		"[[region]]\nname = \"program\"\nrange = \"0x0+0x8000\"\nrole = \"program\"\n"+extra))
	require.NoError(t, err)
	return m, faults.Synth(rand.New(rand.NewPCG(51, 1)), 32<<10)
}

func ruleText(name, algorithm, cover string, at int) string {
	return fmt.Sprintf("[[checksum]]\nname = %q\nalgorithm = %q\ncover = [%q]\nstored = { at = 0x%X }\n", name, algorithm, cover, at)
}

// store16 writes a 16-bit checksum of data[from:at] to at.
func store16(t *testing.T, name string, data []byte, from, at int) {
	t.Helper()
	a, err := checksum.Lookup(name)
	require.NoError(t, err)
	v, ok := a.Checksum(data[from:at]).Uint64()
	require.True(t, ok)
	binary.BigEndian.PutUint16(data[at:], uint16(v))
}

// Every order is named as what it is, by the rules that see the order and not by
// the sum that does not, and the map that is advised undoes it.
func TestOrdersAreNamed(t *testing.T) {
	const blind = "sum-16/u16be"
	remap := func(d []byte, from func(i, n int) int) []byte {
		out := make([]byte, len(d))
		for i := range out {
			out[i] = d[from(i, len(d))]
		}
		return out
	}
	chips := func(k int) func(i, n int) int { return func(i, n int) int { return i%(n/k)*k + i/(n/k) } }
	woven := func(k int) func(i, n int) int { return func(i, n int) int { return i%k*(n/k) + i/k } }
	for _, tc := range []struct {
		from              func(i, n int) int
		code, name, image string
	}{
		{func(i, _ int) int { return i ^ 1 }, CodeBytesSwapped, "the two bytes of every 16-bit word exchanged", "swapped = 2"},
		{func(i, _ int) int { return i ^ 3 }, CodeBytesSwapped, "the four bytes of every 32-bit word reversed", "swapped = 4"},
		{func(i, _ int) int { return i ^ 2 }, CodeBytesSwapped, "the two 16-bit halves of every 32-bit word exchanged",
			`interleaved = 4
			parts = [{ name = "all", file = ["0x4000+0x2000", "0x6000+0x2000", "0x0+0x2000", "0x2000+0x2000"] }]`},
		{chips(2), CodeInterleaved, "two chips, one behind the other", `parts = [{ name = "all", file = ["0x0+0x4000", "0x4000+0x4000"] }]`},
		{chips(4), CodeInterleaved, "four chips, one behind the other",
			`parts = [{ name = "all", file = ["0x0+0x2000", "0x2000+0x2000", "0x4000+0x2000", "0x6000+0x2000"] }]`},
		{woven(2), CodeInterleaved, "two memories, whose bytes take turns", "interleaved = 2"},
		{woven(4), CodeInterleaved, "four memories, whose bytes take turns", "interleaved = 4"},
	} {
		m, data := halves(t, "")
		sum, err := maps.Parse("sum.toml", []byte("format = 1\n[image]\nsize = 0x8000\nbyte_order = \"big\"\n"+
			"[[region]]\nname = \"program\"\nrange = \"0x0+0x8000\"\nrole = \"program\"\n"+ruleText("sum", blind, "0x1000-0x1FFD", 0x1FFE)))
		require.NoError(t, err)
		m.Checksums = append(m.Checksums, sum.Checksums...)
		store16(t, blind, data, 0x1000, 0x1FFE)
		bad := remap(seal(data), tc.from)
		rep := withMap(t, m, bad)
		f := only(t, alarms(rep), tc.code)
		assert.Equal(t, evidence.Fault, f.Severity)
		assert.Contains(t, f.Message, tc.name)
		assert.NotContains(t, codes(rep.Findings), CodeAddressLinesSwapped)

		undo, err := maps.Parse("undo.toml", []byte("format = 1\n[image]\nsize = 0x8000\nbyte_order = \"big\"\n"+tc.image+"\n"))
		require.NoError(t, err, tc.image)
		im, err := image.New(bytes.NewReader(bad), int64(len(bad)), image.Options{Format: image.FormatRaw})
		require.NoError(t, err)
		im, err = undo.Arrange(im)
		require.NoError(t, err)
		got := make([]byte, len(data))
		_, err = im.ReadAddr(got, 0)
		require.NoError(t, err)
		assert.True(t, bytes.Equal(data, got), tc.image)
	}
}

// One rule of 16 bits agrees with one of so many wrong orders by chance. With an
// identity field that reads again it is none.
func TestChanceIsNoFault(t *testing.T) {
	const crc = "CRC-16/IBM-3740"
	rules := ruleText("first", crc, "0x0-0x3FFD", 0x3FFE)
	field := "[[identity]]\nname = \"number\"\nrange = \"0x4020+16\"\nas = \"text\"\n"
	swap := exchangedBy(5, 9)
	bad := func(data []byte) []byte {
		copy(data[0x4020:], "a readable field")
		store16(t, crc, data, 0, 0x3FFE)
		data = swap(data)
		copy(data[0x4020:0x4030], make([]byte, 16))
		return data
	}
	m, data := anchored(t, rules)
	data = bad(data)
	x := &examiner{m: m, c: contentOf(0, data), lim: limitsFor(m)}
	anchors := func(m *maps.Map) []evidence.Finding { // without what the content says of the lines
		b, err := maps.Bind(m, imageOf(t, data))
		require.NoError(t, err)
		x.m, x.findings = m, nil
		x.checkAnchors(b.Check(), b.Identity())
		return x.findings
	}
	f := only(t, anchors(m), CodeAddressLinesSwapped)
	assert.Equal(t, evidence.Caution, f.Severity)
	assert.Contains(t, f.Message, "only one 16-bit rule speaks for it, which agrees again when the image is read with address lines 5 and 9 exchanged")

	m, _ = anchored(t, rules+field)
	f = only(t, anchors(m), CodeAddressLinesSwapped)
	assert.Equal(t, evidence.Fault, f.Severity)
	assert.Contains(t, f.Message, "1 readable identity field again")

	// The content tears there too.
	m, _ = anchored(t, rules)
	x.exchanged = []exchange{{a: 5, b: 9}}
	b, err := maps.Bind(m, imageOf(t, data))
	require.NoError(t, err)
	x.m, x.findings = m, nil
	x.found(CodeAddressLinesSwapped, evidence.Caution, []image.Range{{Size: 0x8000}}, "torn")
	x.checkAnchors(b.Check(), nil)
	assert.Equal(t, evidence.Fault, only(t, x.findings, CodeAddressLinesSwapped).Severity, "said once")

	// A rule that agrees as read would not with those lines exchanged.
	x.exchanged = nil
	m, _ = anchored(t, rules+ruleText("second", crc, "0x4000-0x7FFD", 0x7FFE))
	store16(t, crc, data, 0x4000, 0x7FFE)
	x.c = contentOf(0, data)
	assert.Empty(t, anchors(m))
}

// The more rules could have agreed, the more bits it takes.
func TestProofGrowsWithTheRulesThatCouldAgree(t *testing.T) {
	names := func(values []string, tried int, support float64) bool {
		p := &proposal{tried: tried, support: support}
		for i, v := range values {
			p.again = append(p.again, maps.RuleResult{Rule: fmt.Sprint(i), Algorithm: "a", Computed: v, Field: &image.Range{Size: 2}})
		}
		return p.names()
	}
	assert.False(t, names([]string{"0x1234"}, 1, 0))
	assert.True(t, names([]string{"0x1234"}, 1, supportBits))
	assert.False(t, names([]string{"0x1234"}, 200, supportBits))
	assert.True(t, names([]string{"0x123456"}, 1, 0))
	assert.True(t, names([]string{"0x12345678"}, 12, 0))
	assert.True(t, names([]string{"0x1234", "0x1235"}, 2, 0))
	assert.False(t, names([]string{"0x1234", "0x1234"}, 2, 0), "the same block twice")
	assert.False(t, names([]string{"0x1234", "0x1235"}, 200, 0))
}

// Sums of words are the same wherever the words stand, so only shifts are tried
// on them.
func TestSumsNameNoOrder(t *testing.T) {
	const sum = "sum-16/u16be"
	m, data := anchored(t, ruleText("one", sum, "0x0-0x3FFD", 0x3FFE)+ruleText("two", sum, "0x4000-0x7FFD", 0x7FFE))
	store16(t, sum, data, 0, 0x3FFE)
	store16(t, sum, data, 0x4000, 0x7FFE)
	swapped := bytes.Clone(data)
	for i := range swapped {
		swapped[i] = data[i^3]
	}
	for _, f := range withMap(t, m, swapped).Findings {
		if f.Code == CodeBytesSwapped || f.Code == CodeInterleaved || f.Code == CodeAddressLinesSwapped {
			assert.NotContains(t, f.Message, "agree")
		}
	}
	shifted := append([]byte{data[0]}, data[:len(data)-1]...)
	f := only(t, withMap(t, m, shifted).Findings, CodeShifted)
	assert.Equal(t, evidence.Caution, f.Severity, "one of two rules: the other one's field is gone")
	assert.Contains(t, f.Message, "only one 16-bit rule of the 2 that fail agrees again when the image is moved down by 1")
}

// Zeros have the checksum 0 in this algorithm, and are not what was read.
func TestFillMovedUnderARuleNamesNothing(t *testing.T) {
	m, data := anchored(t, ruleText("first", "CRC-16/XMODEM", "0x2000-0x3FFD", 0x3FFE))
	clear(data[0x4000:0x6000])
	rep := withMap(t, m, data)
	assert.Equal(t, evidence.Fail, rep.Verdict)
	assert.NotContains(t, codes(rep.Findings), CodeAddressLinesSwapped)
}

func TestGapsKeepAnchorsFromBeingTried(t *testing.T) {
	m, data := halves(t, "")
	im, err := image.FromSegments(image.Segment{Data: data[:0x3000]}, image.Segment{Start: 0x4000, Data: data[0x4001:]})
	require.NoError(t, err)
	rep, err := Examine(m, im)
	require.NoError(t, err)
	assert.Contains(t, fmt.Sprint(rep.NotJudged), "only on an image without gaps, and this one has 2 parts")
	im, err = image.FromSegments(image.Segment{Data: data[:0x3000]}, image.Segment{Start: 0x4000, Data: data[0x4000:]})
	require.NoError(t, err)
	m.Checksums = m.Checksums[1:]
	rep, err = Examine(m, im)
	require.NoError(t, err)
	assert.NotContains(t, fmt.Sprint(rep.NotJudged), "gaps", "no rule fails")
}

// An order that is tried earlier, and agrees with a short rule by chance, does
// not hide the right one.
func TestTheArrangementThatProvesMostIsNamed(t *testing.T) {
	const crc = "CRC-16/IBM-3740"
	m, data := anchored(t, ruleText("short", crc, "0x0-0x3FFD", 0x3FFE)+ruleText("long", "CRC-32/ISO-HDLC", "0x4000-0x7FFB", 0x7FFC))
	bad := exchangedBy(5, 9)(seal(data))
	swapped := bytes.Clone(bad)
	for i := range swapped {
		swapped[i] = bad[i^1]
	}
	store16(t, crc, swapped, 0, 0x3FFE)
	bad[0x3FFE], bad[0x3FFF] = swapped[0x3FFF], swapped[0x3FFE]
	rep := withMap(t, m, bad)
	f := only(t, alarms(rep), CodeAddressLinesSwapped)
	assert.Equal(t, evidence.Fault, f.Severity)
	assert.Contains(t, f.Message, "address lines 5 and 9 exchanged")
	assert.NotContains(t, codes(rep.Findings), CodeBytesSwapped)
}
