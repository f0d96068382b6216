package evidence_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

func TestCount(t *testing.T) {
	for n, want := range map[uint64]string{
		0: "0 bytes", 1: "1 byte", 2: "2 bytes", 999: "999 bytes", 1000: "1,000 bytes", 12345: "12,345 bytes",
		1 << 20: "1,048,576 bytes", math.MaxUint64: "18,446,744,073,709,551,615 bytes",
	} {
		assert.Equal(t, want, evidence.Count(n, "byte"))
	}
}

func TestSprintf(t *testing.T) {
	assert.Equal(t, "1,234 of 524,288 bytes at 0x80000, -1,000 and 12 more",
		evidence.Sprintf("%d of %d bytes at 0x%X, %d and %d more", 1234, uint64(524288), 0x80000, int64(-1000), 12))
	assert.Equal(t, "1000000 0.00001 12.5 1.3e+06", evidence.Sprintf("%g %g %g %.1e", 1e6, 1e-5, 12.5, 1.26e6))
	assert.Equal(t, "1e+308 1e-300 0", evidence.Sprintf("%g %g %g", 1e308, 1e-300, 0.0))
	assert.Equal(t, "00012345 12345 3E7 [1000]", evidence.Sprintf("%08d %v %X %d", 12345, 12345, 999, []int{1000}), "only a plain %d groups")
	assert.Equal(t, "-9,223,372,036,854,775,808 18,446,744,073,709,551,615", evidence.Sprintf("%d %d", int64(math.MinInt64), uint64(math.MaxUint64)))
}

func TestRanges(t *testing.T) {
	var list []image.Range
	for i := range uint64(2000) {
		list = append(list, image.Range{Start: 16 * i, Size: 8})
	}
	assert.Equal(t, "0x0-0x7", evidence.Ranges(list[:1]))
	assert.Equal(t, "0x0-0x7, 0x10-0x17, 0x20-0x27, 0x30-0x37", evidence.Ranges(list[:4]))
	assert.Equal(t, "0x0-0x7, 0x10-0x17, 0x20-0x27, 0x30-0x37 and 1 more", evidence.Ranges(list[:5]))
	assert.Equal(t, "0x0-0x7, 0x10-0x17, 0x20-0x27, 0x30-0x37 and 1,999 more", evidence.RangesOf(list, 3))
	assert.Empty(t, evidence.Ranges(nil))
	assert.True(t, strings.HasSuffix(evidence.RangeList(list), ", 0xFF0-0xFF7 and 1,744 more"), "256 of 2000")
	assert.True(t, strings.HasSuffix(evidence.RangeList(list[:256]), ", 0xFF0-0xFF7"))
}
