package fold

import (
	"bytes"
	"math/bits"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// times is schoolbook multiplication: all 128 coefficients, then one by one
// the highest is cleared with a multiple of P'. Not shared with the package.
func times(a, b, poly uint64) uint64 {
	var hi, lo uint64
	for i := range 64 {
		if b>>i&1 != 0 {
			lo ^= a << i
			hi ^= a >> 1 >> (63 - i)
		}
	}
	for i := 63; i >= 0; i-- {
		if hi>>i&1 != 0 {
			hi ^= 1<<i ^ poly>>1>>(63-i)
			lo ^= poly << i
		}
	}
	return lo
}

func TestMul(t *testing.T) {
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		r := rand.New(rand.NewPCG(7, 6))
		for width := 1; width <= 64; width++ {
			poly := lifted(r, width)
			p := forced(t, poly, reflected, engine)
			for _, a := range []uint64{0, 1, 1 << 63, ^uint64(0), r.Uint64(), r.Uint64()} {
				for _, b := range []uint64{0, 1, 1 << 63, ^uint64(0), r.Uint64(), r.Uint64()} {
					want := aligned(times(a, b, poly), reflected)
					require.Equalf(t, want, p.Mul(aligned(a, reflected), aligned(b, reflected)), "poly %#x: %#x * %#x", poly, a, b)
				}
			}
		}
	})
}

func TestShiftAndFill(t *testing.T) {
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		r := rand.New(rand.NewPCG(8, 6))
		for _, width := range []int{1, 3, 8, 16, 31, 32, 33, 63, 64} {
			poly := lifted(r, width)
			p := forced(t, poly, reflected, engine)
			reg := aligned(lifted(r, width), reflected)
			zeros, full := reg, reg
			for n := uint64(0); n < 300; n++ {
				require.Equalf(t, zeros, p.Shift(reg, n), "poly %#x, %d zero bytes", poly, n)
				require.Equalf(t, full, p.Fill(reg, 0xff, n), "poly %#x, %d bytes ff", poly, n)
				zeros = bitwise(poly, reflected, zeros, []byte{0})
				full = bitwise(poly, reflected, full, []byte{0xff})
			}
			run := bytes.Repeat([]byte{0x5a}, 100_003)
			require.Equal(t, bitwise(poly, reflected, reg, run), p.Fill(reg, 0x5a, uint64(len(run))))

			// Lengths no machine can hold: exponents add.
			a, b := uint64(1)<<62+12345, uint64(1)<<61+6789
			require.Equal(t, p.Shift(reg, a+b), p.Shift(p.Shift(reg, a), b))
		}
	})
}

// The register after A and B is that of A carried over B's length, plus that
// of B alone; a patch in the middle changes it by the patch's own register.
func TestCombineAndPatch(t *testing.T) {
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		r := rand.New(rand.NewPCG(9, 6))
		for range 50 {
			p := forced(t, r.Uint64(), reflected, engine)
			data := random(r, 1+r.IntN(longest))
			cut := r.IntN(len(data))
			whole := p.Update(0, data)
			a, b := p.Update(0, data[:cut]), p.Update(0, data[cut:])
			require.Equal(t, whole, p.Shift(a, uint64(len(data)-cut))^b)

			end := cut + r.IntN(len(data)-cut+1)
			change := random(r, end-cut)
			for i, x := range change {
				data[cut+i] ^= x
			}
			require.Equal(t, p.Update(0, data), whole^p.Shift(p.Update(0, change), uint64(len(data)-end)))
		}
	})
}

func TestQuotient(t *testing.T) {
	r := rand.New(rand.NewPCG(10, 6))
	for _, poly := range []uint64{0, 1, 1 << 63, ^uint64(0), r.Uint64(), r.Uint64()} {
		// (x^64 + mu)(x^64 + poly) must be x^128 plus less than x^64: the
		// coefficients from x^64 to x^127 vanish.
		mu := quotient(poly)
		var hi uint64
		for i := range 64 {
			if mu>>i&1 != 0 {
				hi ^= poly >> 1 >> (63 - i)
			}
		}
		require.Zerof(t, hi^mu^poly, "poly %#x, bits left: %d", poly, bits.OnesCount64(hi^mu^poly))
	}
}
