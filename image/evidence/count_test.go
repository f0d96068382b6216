package evidence_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

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
