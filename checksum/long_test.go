package checksum_test

import (
	"math/big"
	"math/rand/v2"
	"testing"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// This file is about messages that no memory holds: what becomes of a checksum
// there is worked out in other ways than the package's.

// extremes are lengths in bytes.
var extremes = []uint64{1 << 32, 1<<61 + 6789, 1<<63 - 1, 1 << 63, 1<<64 - 4}

// affine is a map of registers over GF(2): a matrix, given by its columns, and
// a constant. Registers are numbers, MSB first.
type affine struct {
	columns  []*big.Int
	constant *big.Int
}

// oneByte is what a byte does to the registers of p, bit by bit.
func oneByte(t testing.TB, p checksum.CRCParams, b byte) affine {
	f := affine{constant: register(t, p, new(big.Int), []byte{b})}
	for i := range p.Width {
		c := register(t, p, new(big.Int).Lsh(big.NewInt(1), uint(i)), []byte{b})
		f.columns = append(f.columns, c.Xor(c, f.constant))
	}
	return f
}

// register gives the register after data, before p's RefOut and XorOut.
func register(t testing.TB, p checksum.CRCParams, start *big.Int, data []byte) *big.Int {
	p.Init, p.RefOut, p.XorOut = valueOf(t, p.Width, start), false, checksum.NewValue(p.Width, 0)
	return new(big.Int).SetBytes(bitwiseCRC(p, data).Bytes())
}

// result is the checksum that a register ends as.
func result(t testing.TB, p checksum.CRCParams, reg *big.Int) checksum.Value {
	p.Init = valueOf(t, p.Width, reg)
	return bitwiseCRC(p, nil)
}

func valueOf(t testing.TB, width int, n *big.Int) checksum.Value {
	t.Helper()
	v, err := checksum.ValueFromBytes(width, n.FillBytes(make([]byte, (width+7)/8)))
	require.NoError(t, err)
	return v
}

func (f affine) apply(reg *big.Int) *big.Int {
	r := f.linear(reg)
	return r.Xor(r, f.constant)
}

func (f affine) linear(reg *big.Int) *big.Int {
	r := new(big.Int)
	for i, c := range f.columns {
		if reg.Bit(i) != 0 {
			r.Xor(r, c)
		}
	}
	return r
}

// doubled returns f, f twice, f four times... 64 of them.
func (f affine) doubled() []affine {
	list := []affine{f}
	for range 63 {
		g := affine{constant: f.apply(f.constant)}
		for _, c := range f.columns {
			g.columns = append(g.columns, f.linear(c))
		}
		list, f = append(list, g), g
	}
	return list
}

// crcSubjects are the catalogue, in part with -short, and parameters of every
// width up to 128, with all mixtures of reflections.
func crcSubjects(t testing.TB) []checksum.Algorithm {
	list := catalogue()
	step := 1
	if testing.Short() {
		step = 16
		list = append(list[:3:3], mustLookup(t, "CRC-32"), mustLookup(t, "CRC-12/UMTS"), mustLookup(t, "CRC-82/DARC"))
	}
	rng := rand.New(rand.NewPCG(25, 26))
	for width := 1; width <= 128; width += step {
		number := func() checksum.Value {
			n := new(big.Int).SetUint64(rng.Uint64())
			n.Lsh(n, 64).Or(n, new(big.Int).SetUint64(rng.Uint64()))
			return valueOf(t, width, n.Rsh(n, uint(128-width)))
		}
		p := checksum.CRCParams{
			Width: width, Poly: number(), Init: number(), XorOut: number(), RefIn: rng.IntN(2) == 0, RefOut: rng.IntN(2) == 0,
		}
		if p.Poly == checksum.NewValue(width, 0) {
			p.Poly = checksum.NewValue(width, 1)
		}
		a, err := checksum.NewCRC(p)
		require.NoError(t, err)
		list = append(list, a)
	}
	return list
}

func TestCRCsOfLongMessages(t *testing.T) {
	for _, a := range crcSubjects(t) {
		p := params(t, a)
		init := new(big.Int).SetBytes(p.Init.Bytes())
		twice := oneByte(t, p, 0xA5).doubled()
		for _, n := range extremes {
			run := func(reg *big.Int) checksum.Value {
				for i, f := range twice {
					if n>>i&1 != 0 {
						reg = f.apply(reg)
					}
				}
				return result(t, p, reg)
			}
			alone, after := run(init), run(register(t, p, init, []byte("gap")))
			changed := run(register(t, p, init, []byte("gop")))
			for _, engine := range checksum.Engines() {
				if p.Width > 64 && engine != "generic" {
					continue
				}
				forced := checksum.WithEngine(a, engine)
				got, err := forced.AppendRun(a.Checksum([]byte("gap")), 0xA5, n)
				require.NoError(t, err)
				require.Equal(t, after, got, "%v, engine %s, %d more bytes", p, engine, n)
				got, err = forced.Combine(a.Checksum([]byte("gap")), alone, n)
				require.NoError(t, err)
				require.Equal(t, after, got, "%v, engine %s, combined with %d bytes", p, engine, n)
				got, err = forced.Patched(after, n+3, 1, []byte("a"), []byte("o"))
				require.NoError(t, err)
				require.Equal(t, changed, got, "%v, engine %s, patched before %d bytes", p, engine, n)
			}
		}
	}
}

// The polynomial of CRC-32 is primitive, so the powers of x repeat after 2^32-1:
// 2^64-1 zero bytes leave a register as it is.
func TestZerosPastTheOrder(t *testing.T) {
	a := mustLookup(t, "CRC-32")
	got, err := a.AppendRun(a.Check(), 0, 1<<64-1)
	require.NoError(t, err)
	assert.Equal(t, a.Check(), got)
}

// A run of n words d: n*d, and for Fletcher's second sum d*n*(n+1)/2.
func TestSumsOfLongMessages(t *testing.T) {
	number := func(n uint64) *big.Int { return new(big.Int).SetUint64(n) }
	word := func(size int) *big.Int {
		return new(big.Int).SetBytes([]byte("\x81\x81\x81\x81\x81\x81\x81\x81")[:size]) // the same in either order
	}
	for _, p := range systematic() {
		a, err := checksum.NewSum(p)
		require.NoError(t, err)
		for _, n := range extremes {
			n &^= 7
			words := number(n / uint64(p.WordSize))
			total := new(big.Int).Mul(words, word(p.WordSize))
			limit := new(big.Int).Lsh(big.NewInt(1), uint(p.Width))
			ones := new(big.Int).Sub(limit, big.NewInt(1))
			switch p.Op {
			case checksum.OpXor:
				total.Mul(word(p.WordSize), number(uint64(words.Bit(0))))
			case checksum.OpCarry: // 1 to 2^width-1, as it is not all zeros
				total.Sub(total, big.NewInt(1)).Mod(total, ones).Add(total, big.NewInt(1))
			}
			switch p.Form {
			case checksum.FormOnes:
				total.Sub(ones, total)
			case checksum.FormTwos:
				total.Neg(total)
			}
			got, err := a.AppendRun(a.Checksum(nil), 0x81, n)
			require.NoError(t, err)
			require.Equal(t, valueOf(t, p.Width, total.Mod(total, limit)), got, "%s, %d bytes", p.Name, n)
		}
	}
	for _, f := range fletchers {
		a := mustLookup(t, f.name)
		modulus, start := number(f.modulus), number(f.startValue)
		for _, n := range extremes {
			n &^= 7
			words := number(n / uint64(f.wordSize))
			low := new(big.Int).Mul(words, word(f.wordSize))
			low.Add(low, start).Mod(low, modulus)
			high := new(big.Int).Add(words, big.NewInt(1))
			high.Mul(high, words).Rsh(high, 1).Mul(high, word(f.wordSize))
			high.Add(high, new(big.Int).Mul(words, start)).Mod(high, modulus)
			got, err := a.AppendRun(a.Checksum(nil), 0x81, n)
			require.NoError(t, err)
			require.Equal(t, valueOf(t, f.width, high.Lsh(high, uint(f.width/2)).Or(high, low)), got, "%s, %d bytes", f.name, n)
		}
	}
}
