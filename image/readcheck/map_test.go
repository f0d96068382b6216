package readcheck

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps"
)

// halves is a map of two halves of 16 KiB, each with a CRC-32 in its last four
// bytes, and an image that fits it.
func halves(t *testing.T, extra string) (*maps.Map, []byte) {
	t.Helper()
	data := faults.Synth(rand.New(rand.NewPCG(41, 1)), 32<<10)
	var text strings.Builder
	text.WriteString("format = 1\n[image]\nsize = 0x8000\nbyte_order = \"big\"\n" + extra)
	for i, role := range []string{"program", "calibration"} {
		from := i * 0x4000
		fmt.Fprintf(&text, "[[region]]\nname = %q\nrange = \"0x%X+0x4000\"\nrole = %q\n", role, from, role)
		fmt.Fprintf(&text, "[[checksum]]\nname = \"%s CRC\"\nalgorithm = \"CRC-32/ISO-HDLC\"\ncover = [\"0x%X+0x3FFC\"]\nstored = { at = 0x%X }\n", role, from, from+0x3FFC)
	}
	m, err := maps.Parse("halves.toml", []byte(text.String()))
	require.NoError(t, err)
	return m, seal(data)
}

// seal writes the CRCs.
func seal(data []byte) []byte {
	for from := 0; from < len(data); from += 0x4000 {
		binary.BigEndian.PutUint32(data[from+0x3FFC:], crc32.ChecksumIEEE(data[from:from+0x3FFC]))
	}
	return data
}

func TestPassNeedsProof(t *testing.T) {
	m, data := halves(t, "")
	assert.Equal(t, evidence.Pass, withMap(t, m, data).Verdict)

	m.Checksums = m.Checksums[:1]
	m.Read.MinProvedPercent = 60
	rep := withMap(t, m, data)
	assert.Equal(t, evidence.Unproven, rep.Verdict, "half is not enough when the map asks for more")
	require.Len(t, rep.NotJudged, 1)
	m.Read.MinProvedPercent = 40
	assert.Equal(t, evidence.Pass, withMap(t, m, data).Verdict)

	m.Checksums = nil
	rep = withMap(t, m, data)
	assert.Equal(t, evidence.Unproven, rep.Verdict)
	assert.Contains(t, rep.NotJudged[0], "no checksum rule")
}

// What an agreeing checksum covers was like that when the checksum was made.
func TestProvedPatternsAreNotes(t *testing.T) {
	m, data := halves(t, "")
	fillWith(data[0x1000:0x1800], data[0x1000:0x1100])
	fillWith(data[0x5000:0x6000], []byte{0})
	rep := withMap(t, m, data)
	assert.Contains(t, codes(alarms(rep)), "block-repeated")
	assert.Contains(t, codes(alarms(rep)), "hole")
	assert.Equal(t, evidence.Fail, rep.Verdict)

	rep = withMap(t, m, seal(data))
	assert.Empty(t, alarms(rep))
	assert.Equal(t, evidence.Pass, rep.Verdict)
	assert.Contains(t, findingOf(t, rep, "block-repeated").Message, "checksum that covers it agrees")
}

// Two halves that each bring their own checksum prove nothing about the line
// that chooses between them.
func TestBlocksThatProveThemselvesAreNoPass(t *testing.T) {
	m, data := halves(t, "")
	copy(data[0x4000:], data[:0x4000])
	rep := withMap(t, m, data)
	assert.Equal(t, evidence.Unproven, rep.Verdict)
	assert.Equal(t, evidence.Caution, findingOf(t, rep, "address-line-stuck").Severity)
}

func TestBlankRegion(t *testing.T) {
	m, data := halves(t, "")
	fillWith(data[:0x4000], []byte{0xFF})
	rep := withMap(t, m, data)
	f := findingOf(t, rep, "region-blank")
	assert.Equal(t, "program", f.Region)
	assert.Equal(t, evidence.Fault, f.Severity)
	m.Regions[0].Content = maps.ContentMayBeErased
	assert.NotContains(t, codes(withMap(t, m, data).Findings), "region-blank")
}

func TestDeadLane(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(42, 1)), 32<<10)
	for _, v := range []byte{0, 0xFF} {
		bad := bytes.Clone(data)
		for i := 1; i < len(bad); i += 2 {
			bad[i] = v
		}
		f := findingOf(t, examineBytes(t, bad), "data-lane-dead")
		assert.Contains(t, f.Message, fmt.Sprintf("addresses 1 modulo 2 always read 0x%02X", v))
	}
}

func TestOppositeLines(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(43, 1)), 32<<10)
	for i, b := range data {
		data[i] = b&^0x20 | ^b>>2&1<<5 // bit 5 is the complement of bit 2
	}
	f := findingOf(t, examineBytes(t, data), "data-lines-opposite")
	assert.Contains(t, f.Message, "data bits 2 and 5 are always opposite")
}

// The map's anchors name a shift and say between which rules it happened.
func TestAnchorsPlaceAShift(t *testing.T) {
	m, data := halves(t, "")
	lost := append(append(bytes.Clone(data[:0x3FFE]), data[0x3FFF:]...), 0)
	f := findingOf(t, withMap(t, m, lost), "shifted")
	assert.Equal(t, evidence.Fault, f.Severity)
	assert.Contains(t, f.Message, "1 of 2 checksum rules that fail agree again")
}

// Reading in runs gives the same bytes as reading one at a time.
func TestRearrangedReads(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(44, 1)), 16<<10)
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	r := rand.New(rand.NewPCG(44, 2))
	for _, rep := range x.repairs(len(data)) {
		for range 5 {
			off := r.IntN(len(data))
			got := make([]byte, 1+r.IntN(600))
			n, _ := rearranged{data, rep, 0xEE}.ReadAt(got, int64(off))
			require.Equal(t, min(len(got), len(data)-off), n)
			for i := range n {
				want := byte(0xEE)
				if j := rep.from(off + i); j >= 0 && j < len(data) {
					want = data[j]
				}
				require.Equal(t, want, got[i], "%s at %d", rep.what, off+i)
			}
		}
	}
}

func TestHighEntropyInTheMap(t *testing.T) {
	m, data := halves(t, "")
	r := rand.New(rand.NewPCG(45, 1))
	for i := 0x5000; i < 0x8000; i++ {
		data[i] = byte(r.Uint32())
	}
	f := findingOf(t, withMap(t, m, data), "high-entropy")
	assert.Equal(t, evidence.Caution, f.Severity)
	assert.Equal(t, "calibration", f.Region)
	assert.NotContains(t, codes(alarms(withMap(t, m, seal(data)))), "high-entropy", "the checksum says it was meant")
}

// Content where by the map there is none hinders a pass, unless a rule covers
// it or an identity field stands there.
func TestUnusedContent(t *testing.T) {
	seen := func(extra string, rule bool, change func(d []byte)) *Report {
		data := faults.Synth(rand.New(rand.NewPCG(46, 1)), 32<<10)
		fillWith(data[0x4000:], []byte{0xFF})
		change(data)
		binary.BigEndian.PutUint32(data[0x3FFC:], crc32.ChecksumIEEE(data[:0x3FFC]))
		text := "format = 1\n[image]\nsize = 0x8000\nbyte_order = \"big\"\n" +
			"[[region]]\nname = \"program\"\nrange = \"0x0-0x3FFF\"\nrole = \"program\"\n" +
			"[[checksum]]\nname = \"sum\"\nalgorithm = \"CRC-32/ISO-HDLC\"\ncover = [\"0x0-0x3FFB\"]\nstored = { at = 0x3FFC }\n" + extra
		if rule {
			crc := crc32.ChecksumIEEE(data[0x4000:0x8000])
			text += fmt.Sprintf("[[checksum]]\nname = \"rest\"\nalgorithm = \"CRC-32/ISO-HDLC\"\ncover = [\"0x4000-0x7FFF\"]\ntarget = 0x%X\n", crc)
		}
		m, err := maps.Parse("unused.toml", []byte(text))
		require.NoError(t, err)
		return withMap(t, m, data)
	}
	const spare = "[[region]]\nname = \"spare\"\nrange = \"0x4000-0x7FFF\"\nrole = \"unused\"\n"
	some := func(d []byte) { copy(d[0x5000:], "left over"); d[0x6000] = 0 }
	for name, extra := range map[string]string{"in a region": spare, "in none": ""} {
		assert.Equal(t, evidence.Pass, seen(extra, false, func([]byte) {}).Verdict, name)
		zeros := seen(extra, false, func(d []byte) { clear(d[0x4000:]) })
		assert.Equal(t, evidence.Pass, zeros.Verdict, "%s, another value: %v", name, zeros.Findings)
		rep := seen(extra, false, some)
		assert.Equal(t, evidence.Unproven, rep.Verdict, name)
		f := findingOf(t, rep, "unused-content")
		assert.Equal(t, []image.Range{{Start: 0x5000, Size: 9}, {Start: 0x6000, Size: 1}}, f.Ranges, name)
		assert.Contains(t, f.Message, "10 bytes at 0x5000-0x5008, 0x6000-0x6000")
		assert.Equal(t, evidence.Pass, seen(extra, true, some).Verdict, "%s, under a rule", name)
	}
	field := "[[identity]]\nname = \"number\"\nrange = \"0x5000+9\"\nas = \"text\"\n"
	assert.Equal(t, evidence.Pass, seen(field, false, func(d []byte) { copy(d[0x5000:], "left over") }).Verdict)
}
