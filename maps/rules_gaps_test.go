package maps_test

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

func TestGaps(t *testing.T) {
	data := noise(0x100)
	sections := func(gaps string) string {
		return `
[[checksum]]
name = "gap"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0x7F"]
count = [{ range = "0x28-0x2F", as = 0x11 }]
stored = { at = 0xE0 }
` + gaps
	}
	with := func(gap []byte) []byte { // 0x20-0x3F is missing, of which 0x28-0x2F is counted as 0x11 whatever it holds
		out := slices.Clone(data[:0x20])
		mask := slices.Repeat([]byte{0x11}, 8)
		if gap == nil {
			out = append(out, mask...)
		} else {
			out = append(out, gap[:8]...)
			out = append(out, mask...)
			out = append(out, gap[:16]...)
		}
		return append(out, data[0x40:0x80]...)
	}
	for name, c := range map[string]struct {
		gaps string
		want []byte
	}{
		"skip": {`gaps = "skip"`, with(nil)},
		"fill": {`gaps = 0xA5`, with(slices.Repeat([]byte{0xA5}, 16))},
	} {
		t.Run(name, func(t *testing.T) {
			d := slices.Clone(data)
			binary.BigEndian.PutUint32(d[0xE0:], crc32.ChecksumIEEE(c.want))
			b := apply(t, parse(t, 0x100, sections(c.gaps)), image.Segment{Data: d[:0x20]}, image.Segment{Start: 0x40, Data: d[0x40:]})
			proves(t, b, []uint64{0, 0x1F, 0x40, 0x7F}, []uint64{0x80}, "0xE0+4")
		})
	}
	for _, gaps := range []string{"", `gaps = "error"`} {
		b := apply(t, parse(t, 0x100, sections(gaps)), image.Segment{Data: data[:0x20]}, image.Segment{Start: 0x40, Data: data[0x40:]})
		r := b.Check()[0]
		assert.Equal(t, evidence.Fail, r.Verdict)
		assert.Equal(t, maps.CodeUnreadable, r.Finding().Code)
		assert.Contains(t, r.Reason, "the image holds no byte at 0x20")
	}
	// An image that holds none of the bytes proves nothing by skipping them.
	b := apply(t, parse(t, 0x100, `
[[checksum]]
name = "gap"
algorithm = "sum-8/u8"
cover = ["0x0-0x7F"]
gaps = "skip"
target = 0
`), image.Segment{Start: 0x80, Data: data[0x80:]})
	assert.Equal(t, evidence.Fail, b.Check()[0].Verdict)
}

func TestLimitOfCoveredBytes(t *testing.T) {
	// 1000 repetitions of a megabyte each, all over a gap that is filled.
	m, err := maps.Parse("", []byte(`format = 1
[image]
size = 0x80000000
byte_order = "big"
[[checksum]]
name = "huge"
algorithm = "sum-8/u8"
cover = ["0x100000+0x100000"]
gaps = 0xFF
repeat = { count = 1000, stride = 0x100000, stored_stride = 1 }
stored = { at = 0x0 }
`))
	require.NoError(t, err)
	results := apply(t, m, image.Segment{Data: make([]byte, 0x1000)}).Check()
	require.Len(t, results, 1000)
	computed := 0
	for _, r := range results {
		if r.Computed != "" {
			computed++
		} else {
			assert.Contains(t, r.Reason, "the most it may in an image of 4096 bytes")
		}
	}
	assert.Equal(t, 16, computed)
	assert.Equal(t, uint64(16<<20), maps.MaxCovered(0x1000))
	assert.Equal(t, uint64(32<<20), maps.MaxCovered(4<<20))
}

func TestLimitOfResults(t *testing.T) {
	var rules strings.Builder
	for i := range 10 {
		fmt.Fprintf(&rules, "[[checksum]]\nname = \"%d\"\nalgorithm = \"sum-8/u8\"\ncover = [\"0x0+1\"]\nrepeat = { count = 8192, stride = 1 }\ntarget = 0\n", i)
	}
	b := flat(t, make([]byte, 8192), rules.String())
	results := b.Check()
	require.Len(t, results, maps.MaxResults+2)
	for i, r := range results {
		if i < maps.MaxResults {
			require.Equal(t, evidence.Pass, r.Verdict)
			continue
		}
		assert.Equal(t, evidence.Fail, r.Verdict)
		assert.Contains(t, r.Reason, "more than 65536 repetitions")
	}
	_, err := b.Seal()
	require.ErrorContains(t, err, "more than 65536 repetitions")
}

func TestResultsReadWell(t *testing.T) {
	data := noise(0x100)
	b := flat(t, data, `
[[checksum]]
name = "CRC of the program"
algorithm = "CRC-16/IBM-3740"
cover = ["0x0-0x7F"]
stored = { at = 0x80, byte_order = "little" }
`)
	r := b.Check()[0]
	assert.Equal(t, fmt.Sprintf("computed %s, but the field at 0x80 holds 0x%02X%02X", r.Computed, data[0x81], data[0x80]), r.Reason)
	f := r.Finding()
	assert.Equal(t, evidence.Fault, f.Severity)
	assert.Equal(t, `checksum "CRC of the program": `+r.Reason+"; read the memory again, or compute the value anew if these bytes were edited on purpose", f.Message)
	assert.Equal(t, []image.Range{{Start: 0x80, Size: 2}}, f.Ranges)
	assert.Equal(t, "CRC-16/IBM-3740", r.Algorithm)
}
