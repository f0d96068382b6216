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

		}
	})
}

// extremes are lengths of which no machine can hold the message.
var extremes = []uint64{1<<32 - 1, 1 << 32, 1<<61 + 6789, 1<<63 - 1, 1 << 63, 1<<63 + 12345, 1<<64 - 8, 1<<64 - 1}

// A byte takes r to r*m + a, and twice as many bytes to r*m^2 + a*m + a, here
// with schoolbook multiplication.
func TestRunsOfAnyLength(t *testing.T) {
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		r := rand.New(rand.NewPCG(17, 6))
		for _, width := range []int{1, 5, 8, 16, 32, 33, 64} {
			poly, start, b := lifted(r, width), lifted(r, width), byte(r.Uint32())
			p := forced(t, poly, reflected, engine)
			for _, n := range extremes {
				want, zeros := start, start
				m, a := uint64(1)<<8, aligned(bitwise(poly, reflected, 0, []byte{b}), reflected)
				for i := range 64 {
					if n>>i&1 != 0 {
						want, zeros = times(want, m, poly)^a, times(zeros, m, poly)
					}
					m, a = times(m, m, poly), times(a, m, poly)^a
				}
				require.Equalf(t, aligned(want, reflected), p.Fill(aligned(start, reflected), b, n), "poly %#x, %d bytes %x", poly, n, b)
				require.Equalf(t, aligned(zeros, reflected), p.Shift(aligned(start, reflected), n), "poly %#x, %d zero bytes", poly, n)
			}
		}
	})
}

// The polynomial of CRC-32 is primitive: the powers of x repeat after 2^32-1,
// so 2^64-1 zero bytes change nothing, and 2^63 bytes, 2^66 bits, are x^4.
func TestZerosPastTheOrder(t *testing.T) {
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		p := forced(t, 0x04c11db7<<32, reflected, engine)
		one, x4 := aligned(1<<32, reflected), aligned(1<<36, reflected)
		require.Equal(t, one, p.Shift(one, 1<<32-1))
		require.Equal(t, one, p.Shift(one, 1<<64-1))
		require.Equal(t, x4, p.Shift(one, 1<<63))
	})
}

func TestPower(t *testing.T) {
	r := rand.New(rand.NewPCG(18, 6))
	for _, poly := range []uint64{1, 1 << 63, r.Uint64(), r.Uint64()} {
		want := uint64(1)
		for n := range uint64(300) {
			require.Equal(t, want, power(n, poly), "poly %#x, x^%d", poly, n)
			want = times(want, 2, poly)
		}
		for _, n := range extremes {
			want, square := uint64(1), uint64(2)
			for i := range 64 {
				if n>>i&1 != 0 {
					want = times(want, square, poly)
				}
				square = times(square, square, poly)
			}
			require.Equal(t, want, power(n, poly), "poly %#x, x^%d", poly, n)
		}
	}
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
