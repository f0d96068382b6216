package checksum_test

import (
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"testing"
	"unsafe"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// maxLength is beyond the last length at which an engine changes its ways.
const maxLength = 4200

// prefixCRCs returns the checksums of data[:0], data[:1]... by the bit-by-bit
// definition, which a message of nothing resumed byte by byte is: the register
// after n bytes is the start value of the rest.
func prefixCRCs(t testing.TB, p checksum.CRCParams, data []byte) []checksum.Value {
	t.Helper()
	plain := p // what leaves the register as it is
	plain.RefOut, plain.XorOut = false, checksum.NewValue(p.Width, 0)
	list := []checksum.Value{bitwiseCRC(p, nil)}
	for i := range data {
		plain.Init = bitwiseCRC(plain, data[i:i+1])
		end := p
		end.Init = plain.Init
		list = append(list, bitwiseCRC(end, nil))
	}
	require.Equal(t, bitwiseCRC(p, data), list[len(data)])
	return list
}

// alignedBuffer returns a buffer whose first byte is at a multiple of 64.
func alignedBuffer(n int) []byte {
	buf := make([]byte, n+64)
	at := uintptr(unsafe.Pointer(unsafe.SliceData(buf)))
	return buf[-at&63:]
}

// TestEveryEngineAtEveryLength compares each catalogue entry on each engine
// with the bit-by-bit reference: all lengths to maxLength at one offset, and
// around the cut-offs at all offsets from a cache line; a tenth of that with
// -short.
func TestEveryEngineAtEveryLength(t *testing.T) {
	require.Contains(t, checksum.Engines(), "generic")
	rng := rand.New(rand.NewPCG(9, 10))
	data := randomData(rng, maxLength)
	var near []int // lengths around powers of two and three quarters of them
	for n := range maxLength {
		for _, cut := range []int{0, 8, 16, 32, 64, 128, 192, 256, 384, 512, 768, 1024, 2048, 4096} {
			if n >= cut-3 && n <= cut+3 {
				near = append(near, n)
				break
			}
		}
	}
	buf := alignedBuffer(64 + maxLength)
	every := 1
	if testing.Short() {
		every = 10
	}
	for i, a := range catalogue() {
		want := prefixCRCs(t, params(t, a), data)
		for _, engine := range checksum.Engines() {
			if a.Width() > 64 && engine != "generic" {
				continue
			}
			forced := checksum.WithEngine(a, engine)
			for n := i % every; n <= maxLength; n += every {
				v := want[n]
				if got := forced.Checksum(data[:n]); got != v {
					t.Fatalf("%s, engine %s, %d bytes: %v, not %v", a.Name(), engine, n, got, v)
				}
			}
			for offset := i % every; offset < 64; offset += every {
				copy(buf[offset:], data)
				for _, n := range near {
					if n > 600 && offset%9 != 0 && a.Width() > 64 { // a slow engine
						continue
					}
					if got := forced.Checksum(buf[offset : offset+n]); got != want[n] {
						t.Fatalf("%s, engine %s, %d bytes at offset %d: %v, not %v", a.Name(), engine, n, offset, got, want[n])
					}
				}
			}
			for range 20 {
				h := forced.New()
				for rest := data; len(rest) > 0; {
					n := min(len(rest), 1+rng.IntN(1<<rng.IntN(12)))
					h.Write(rest[:n])
					rest = rest[n:]
				}
				if h.Value() != want[maxLength] {
					t.Fatalf("%s, engine %s: a stream in pieces gives %v, not %v", a.Name(), engine, h.Value(), want[maxLength])
				}
			}
		}
	}
}

// TestEveryEngineWithParts checks what does not read the message, on each
// engine.
func TestEveryEngineWithParts(t *testing.T) {
	data := randomData(rand.New(rand.NewPCG(11, 12)), 1000)
	run := slices.Repeat([]byte{0xA5}, 777)
	changed := slices.Clone(data)
	copy(changed[500:], "patched")
	for _, a := range catalogue() {
		for _, engine := range checksum.Engines() {
			forced := checksum.WithEngine(a, engine)
			got, err := forced.Combine(a.Checksum(data[:300]), a.Checksum(data[300:]), 700)
			require.NoError(t, err)
			assert.Equal(t, a.Checksum(data), got, "%s, engine %s", a.Name(), engine)
			got, err = forced.AppendRun(a.Checksum(data), 0xA5, 777)
			require.NoError(t, err)
			assert.Equal(t, a.Checksum(append(slices.Clone(data), run...)), got, "%s, engine %s", a.Name(), engine)
			got, err = forced.Patched(a.Checksum(data), 1000, 500, data[500:507], changed[500:507])
			require.NoError(t, err)
			assert.Equal(t, a.Checksum(changed), got, "%s, engine %s", a.Name(), engine)
		}
	}
}

// sumSubjects pairs sums with their definitions: together they use every loop
// for sums, in every order of words.
func sumSubjects(t testing.TB) map[string]func([]byte) checksum.Value {
	list := make(map[string]func([]byte) checksum.Value)
	for _, name := range []string{
		"sum-8/u8", "sum-64/u16be", "sum-32/u32le", "sum-64/u64be", "carry-16/u16be", "carry-64/u64le", "xor-8", "xor-32/u32be", "xor-64/u64le",
	} {
		p, ok := mustLookup(t, name).Sum()
		require.True(t, ok)
		list[name] = func(data []byte) checksum.Value { return referenceSum(p, data) }
	}
	for _, f := range fletchers {
		list[f.name] = func(data []byte) checksum.Value {
			return referenceFletcher(f.width, f.wordSize, f.bigEndian, f.modulus, f.startValue, data)
		}
	}
	return list
}

// TestSumsWithAndWithoutVectors runs lengths around the cut-offs at many
// offsets.
func TestSumsWithAndWithoutVectors(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	const longest = 70_000 // more than one block of every loop
	data := randomData(rng, longest)
	buf := alignedBuffer(64 + longest)
	lengths := []int{longest, 65_536, 65_537, 8192, 8193, 8224, 8191}
	for _, cut := range []int{0, 8, 32, 64, 176, 512, 704, 1024, 2048, 4096} {
		for n := max(0, cut-9); n < cut+9; n++ {
			lengths = append(lengths, n)
		}
	}
	for name, reference := range sumSubjects(t) {
		a := mustLookup(t, name)
		for i, n := range lengths {
			want := reference(data[:n])
			check := func() {
				for offset := i % 5; offset < 64; offset += 5 {
					copy(buf[offset:], data[:n])
					if got := a.Checksum(buf[offset : offset+n]); got != want {
						t.Fatalf("%s, %d bytes at offset %d: %v, not %v", name, n, offset, got, want)
					}
				}
				h := a.New()
				for rest := data[:n]; len(rest) > 0; {
					m := min(len(rest), 1+rng.IntN(1<<rng.IntN(14)))
					h.Write(rest[:m])
					rest = rest[m:]
				}
				if h.Value() != want {
					t.Fatalf("%s, %d bytes in pieces: %v, not %v", name, n, h.Value(), want)
				}
			}
			check()
			checksum.WithoutVectors(check)
		}
	}
}

// The largest sums that can occur before a lane or a block is emptied.
func TestSumsOfAllOnes(t *testing.T) {
	data := slices.Repeat([]byte{0xFF}, 33<<20) // more than one block of 2^20 vectors
	for name := range sumSubjects(t) {
		a := mustLookup(t, name)
		want, err := a.AppendRun(a.Checksum(nil), 0xFF, uint64(len(data)))
		require.NoError(t, err)
		assert.Equal(t, want, a.Checksum(data), name)
		checksum.WithoutVectors(func() { assert.Equal(t, want, a.Checksum(data), name) })
	}
}

func TestOneShotAllocatesNothing(t *testing.T) {
	data := make([]byte, 1000)
	for _, name := range []string{"CRC-3/GSM", "CRC-32", "CRC-64/XZ", "sum-16/u16be", "xor-8", "adler-32", "sysv-sum", "bsd-sum"} {
		a := mustLookup(t, name)
		assert.Zero(t, testing.AllocsPerRun(100, func() { a.Checksum(data) }), name)
	}
}

// Constants and tables are made by whoever comes first; -race watches.
func TestFirstUseByManyGoroutines(t *testing.T) {
	data := randomData(rand.New(rand.NewPCG(19, 20)), 500)
	for _, name := range []string{"CRC-16/XMODEM", "CRC-32", "CRC-82/DARC"} {
		want := mustLookup(t, name).Checksum(data)
		for _, engine := range checksum.Engines() {
			fresh := checksum.WithEngine(mustLookup(t, name), engine)
			var wait sync.WaitGroup
			for range 8 {
				wait.Go(func() { assert.Equal(t, want, fresh.Checksum(data), "%s, engine %s", name, engine) })
			}
			wait.Wait()
		}
	}
}

// What free parameters need of tables goes with the algorithm.
func TestFreeParametersAreNotKept(t *testing.T) {
	p := params(t, mustLookup(t, "CRC-32"))
	p.Name, p.Aliases, p.Poly = "mine", nil, checksum.NewValue(32, 0xDEADBEEF)
	p.Check, p.Residue = checksum.Value{}, checksum.Value{}
	a, err := checksum.NewCRC(p)
	require.NoError(t, err)
	require.Equal(t, bitwiseCRC(p, nine), a.Checksum(nine))
	alive := checksum.EngineAlive(a)
	require.True(t, alive())
	runtime.KeepAlive(a)
	a = checksum.Algorithm{}
	runtime.GC()
	assert.False(t, alive())
}
