package fold

import (
	"hash/crc32"
	"hash/crc64"
	"math/bits"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// longest is past every cut-off of every engine: several turns of the largest
// loop, each followed by every possible remainder.
const longest = 4200

// cutoffs are the lengths at which a kernel takes another way.
var cutoffs = []int{0, 8, 16, 32, 64, 80, 128, 256, 272, 320, 512, 768, 1024, 4096}

// lengths returns all lengths up to two turns of the largest loop, those around
// the cut-offs beyond, and some others up to longest.
func lengths() []int {
	var l []int
	for n := range longest + 1 {
		near := slices.ContainsFunc(cutoffs, func(c int) bool { return c-2 <= n && n <= c+17 })
		if near || n <= 600 || n%61 == 0 || n == longest {
			l = append(l, n)
		}
	}
	return l
}

func TestEveryWidth(t *testing.T) {
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		r := rand.New(rand.NewPCG(1, 6))
		for width := 1; width <= 64; width++ {
			poly := lifted(r, width)
			p := forced(t, poly, reflected, engine)
			offset := width - 1
			data := random(r, offset+longest)[offset:]
			reg := aligned(lifted(r, width), reflected)
			want := prefixes(poly, reflected, reg, data)
			for _, n := range lengths() {
				if got := p.Update(reg, data[:n]); got != want[n] {
					t.Fatalf("poly %#x, register %#x, %d bytes: got %#x, want %#x", poly, reg, n, got, want[n])
				}
			}
		}
	})
}

func TestEveryLength(t *testing.T) {
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		r := rand.New(rand.NewPCG(13, 6))
		poly, reg, data := r.Uint64(), r.Uint64(), random(r, longest)
		p := forced(t, poly, reflected, engine)
		for n, want := range prefixes(poly, reflected, reg, data) {
			if got := p.Update(reg, data[:n]); got != want {
				t.Fatalf("poly %#x, register %#x, %d bytes: got %#x, want %#x", poly, reg, n, got, want)
			}
		}
	})
}

// The register must not depend on where in memory the data lies. The bytes
// around it are random, so one byte too many would show.
func TestEveryOffset(t *testing.T) {
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		r := rand.New(rand.NewPCG(2, 6))
		poly := r.Uint64()
		p := forced(t, poly, reflected, engine)
		buf := random(r, 64+longest+64)
		for offset := range 64 {
			reg := r.Uint64()
			data := buf[offset:]
			for _, cut := range cutoffs {
				from, to := max(0, cut-2), cut+17
				want := bitwise(poly, reflected, reg, data[:from])
				for n := from; n <= to; n++ {
					if got := p.Update(reg, data[:n]); got != want {
						t.Fatalf("poly %#x, register %#x, offset %d, %d bytes: got %#x, want %#x", poly, reg, offset, n, got, want)
					}
					want = bitwise(poly, reflected, want, data[n:n+1])
				}
			}
		}
	})
}

func TestSplits(t *testing.T) {
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		rapid.Check(t, func(rt *rapid.T) {
			p := forced(t, rapid.Uint64().Draw(rt, "poly"), reflected, engine)
			reg := rapid.Uint64().Draw(rt, "register")
			n := rapid.IntRange(0, longest).Draw(rt, "length")
			data := random(rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 0)), n)
			want := bitwise(p.poly, reflected, reg, data)
			for len(data) > 0 {
				k := rapid.IntRange(1, len(data)).Draw(rt, "part")
				reg = p.Update(reg, data[:k])
				data = data[k:]
			}
			require.Equal(rt, want, reg)
		})
	})
}

// entry is a row of the catalogue up to 64 bits: poly and init stand at the top
// of 64 bits, check is the published value of "123456789".
type entry struct {
	name             string
	width            int
	poly, init       uint64
	refIn, refOut    bool
	xorOut, expected uint64
}

// catalogue reads the table of package checksum, whose README names its sources.
func catalogue(t testing.TB) []entry {
	t.Helper()
	file, err := os.ReadFile("../../testdata/crc-catalogue.tsv")
	require.NoError(t, err)
	var list []entry
	for _, row := range strings.Split(strings.TrimSpace(string(file)), "\n")[1:] {
		f := strings.Split(row, "\t")
		width, err := strconv.Atoi(f[1])
		require.NoError(t, err, row)
		if width > 64 {
			continue
		}
		hex := func(s string) uint64 {
			v, err := strconv.ParseUint(s, 0, 64)
			require.NoError(t, err, row)
			return v
		}
		list = append(list, entry{
			f[0], width, hex(f[2]) << (64 - width), hex(f[3]) << (64 - width), f[4] == "true", f[5] == "true", hex(f[6]), hex(f[7]),
		})
	}
	require.GreaterOrEqual(t, len(list), 112)
	return list
}

// The check values are the outside reference here.
func TestCatalogue(t *testing.T) {
	data := random(rand.New(rand.NewPCG(3, 6)), longest)
	for _, e := range catalogue(t) {
		start := aligned(e.init, e.refIn)
		want := bitwise(e.poly, e.refIn, start, data)
		for _, engine := range Engines() {
			p := forced(t, e.poly, e.refIn, engine)
			got := aligned(p.Update(start, []byte("123456789")), e.refIn) >> (64 - e.width)
			if e.refOut {
				got = bits.Reverse64(got) >> (64 - e.width)
			}
			assert.Equalf(t, e.expected, got^e.xorOut, "%s, engine %s: check value", e.name, engine)
			assert.Equalf(t, want, p.Update(start, data), "%s, engine %s", e.name, engine)
		}
	}
}

func TestStandardLibrary(t *testing.T) {
	data := random(rand.New(rand.NewPCG(4, 6)), 1<<20+13)
	for _, engine := range Engines() {
		for _, n := range []int{0, 1, 15, 63, 255, 1000, 65537, len(data)} {
			d := data[:n]
			ieee := forced(t, 0x04c11db7<<32, true, engine)
			assert.Equal(t, crc32.ChecksumIEEE(d), ^uint32(ieee.Update(0xffffffff, d)), "%s, %d bytes", engine, n)
			castagnoli := forced(t, 0x1edc6f41<<32, true, engine)
			assert.Equal(t, crc32.Checksum(d, crc32.MakeTable(crc32.Castagnoli)), ^uint32(castagnoli.Update(0xffffffff, d)), "%s, %d bytes", engine, n)
			ecma := forced(t, 0x42f0e1eba9ea3693, true, engine)
			assert.Equal(t, crc64.Checksum(d, crc64.MakeTable(crc64.ECMA)), ^ecma.Update(^uint64(0), d), "%s, %d bytes", engine, n)
		}
	}
}

func TestTwoStreams(t *testing.T) {
	if Engines()[0] != CLMul512 {
		t.Skip("no engine with two streams here")
	}
	r := rand.New(rand.NewPCG(14, 6))
	for _, reflected := range []bool{false, true} {
		poly, reg, data := r.Uint64(), r.Uint64(), random(r, longest)
		p := New(poly, reflected)
		for n, want := range prefixes(poly, reflected, reg, data) {
			if n >= 256 {
				require.Equalf(t, want, p.updateStreams(reg, data[:n]), "poly %#x, register %#x, reflected %t, %d bytes", poly, reg, reflected, n)
			}
		}
	}

	// Long enough to come there by Update. The distance between the streams is
	// worked out from poly, which nothing else there needs.
	data := random(r, beyondCaches+333)
	ecma := New(0x42f0e1eba9ea3693, true)
	want := ^crc64.Checksum(data, crc64.MakeTable(crc64.ECMA))
	require.Equal(t, want, ecma.Update(^uint64(0), data))
	short := data[:beyondCaches-1]
	one := ecma.Update(0, short)
	ecma.poly ^= 1
	require.NotEqual(t, want, ecma.Update(^uint64(0), data), "two streams")
	require.Equal(t, one, ecma.Update(0, short), "one stream")
}

func TestNewEngine(t *testing.T) {
	_, err := NewEngine(1, false, "abacus")
	require.ErrorContains(t, err, `no engine "abacus" here; use one of `)
	require.Equal(t, Generic, Engines()[len(Engines())-1])
}

// That an engine's name is what runs shows by the constants that it alone uses:
// damaged, they must change its results, and those of no other.
func TestEnginesRunTheirOwnKernels(t *testing.T) {
	data := random(rand.New(rand.NewPCG(15, 6)), longest)
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		for _, c := range []struct {
			what   string
			damage func(*Poly)
			shows  string
		}{
			{"four accumulators of a block", func(p *Poly) { p.constants.by384[0] ^= 1 }, CLMul128},
			{"four accumulators of two blocks", func(p *Poly) { p.constants.by1024[0] ^= 1 }, CLMul256},
			{"four accumulators of four blocks", func(p *Poly) { p.constants.wideBy2048[0] ^= 1 }, CLMul512},
			{"tables", func(p *Poly) { p.poly ^= 1 << 63 }, Generic},
		} {
			whole, damaged := forced(t, 0x42f0e1eba9ea3693, reflected, engine), forced(t, 0x42f0e1eba9ea3693, reflected, engine)
			c.damage(damaged)
			changed := whole.Update(1, data) != damaged.Update(1, data)
			assert.Equal(t, c.shows == engine, changed, c.what)
		}
	})
}

// The portable engine makes its tables at first use, here by many at once.
func TestConcurrentUse(t *testing.T) {
	data := random(rand.New(rand.NewPCG(5, 6)), 1000)
	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		p := forced(t, 0x1b, reflected, engine)
		want := bitwise(0x1b, reflected, 1, data)
		var wg sync.WaitGroup
		for range 8 {
			wg.Go(func() { assert.Equal(t, want, p.Update(1, data)) })
		}
		wg.Wait()
	})
}
