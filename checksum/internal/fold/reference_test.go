package fold

import (
	"math/bits"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// bitwise is the definition of a CRC register: one bit of data at a time, the
// highest bit of each byte first, or the lowest when reflected.
func bitwise(poly uint64, reflected bool, reg uint64, data []byte) uint64 {
	if reflected {
		poly = bits.Reverse64(poly)
	}
	for _, b := range data {
		if reflected {
			reg ^= uint64(b)
			for range 8 {
				reg = reg>>1 ^ poly&-(reg&1)
			}
		} else {
			reg ^= uint64(b) << 56
			for range 8 {
				reg = reg<<1 ^ poly&-(reg>>63)
			}
		}
	}
	return reg
}

// prefixes returns the register after each of the len(data)+1 prefixes.
func prefixes(poly uint64, reflected bool, reg uint64, data []byte) []uint64 {
	r := make([]uint64, 0, len(data)+1)
	r = append(r, reg)
	for i := range data {
		reg = bitwise(poly, reflected, reg, data[i:i+1])
		r = append(r, reg)
	}
	return r
}

// lifted makes a random register or polynomial of the given width.
func lifted(r *rand.Rand, width int) uint64 { return r.Uint64() << (64 - width) }

// aligned puts a left-aligned register where the bit order wants it.
func aligned(reg uint64, reflected bool) uint64 {
	if reflected {
		return bits.Reverse64(reg)
	}
	return reg
}

func random(r *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

// everyEngine runs f once for each engine of this machine and each bit order.
func everyEngine(t *testing.T, f func(t *testing.T, engine string, reflected bool)) {
	for _, engine := range Engines() {
		for _, reflected := range []bool{false, true} {
			name := engine + "/msb-first"
			if reflected {
				name = engine + "/reflected"
			}
			t.Run(name, func(t *testing.T) { f(t, engine, reflected) })
		}
	}
}

func forced(t testing.TB, poly uint64, reflected bool, engine string) *Poly {
	t.Helper()
	p, err := NewEngine(poly, reflected, engine)
	require.NoError(t, err)
	return p
}
