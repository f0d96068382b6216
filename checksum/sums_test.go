package checksum_test

import (
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	require.NoError(t, err)
	return b
}

// readInput reads the notation of sums.tsv: hexadecimal tokens, "token*n"
// repeats one, "-" is empty.
func readInput(t testing.TB, s string) []byte {
	t.Helper()
	var data []byte
	if s == "-" {
		return data
	}
	for _, token := range strings.Fields(s) {
		digits, count, repeated := strings.Cut(token, "*")
		n := 1
		if repeated {
			var err error
			n, err = strconv.Atoi(count)
			require.NoError(t, err)
		}
		data = append(data, strings.Repeat(string(unhex(t, digits)), n)...)
	}
	return data
}

// TestSumVectors runs all rows of sums.tsv, which names a source for each.
func TestSumVectors(t *testing.T) {
	// What the table calls by its use is a sum with a systematic name.
	names := map[string]string{
		"udp-checksum-ipv4":     "internet-checksum",
		"intel-hex-record":      "lrc-8-twos-complement",
		"s-record":              "sum-8/u8/ones-complement",
		"pci-option-rom":        "sum-8/u8",
		"intel-microcode-sum32": "sum-32/u32le",
		"sfnt-table-checksum":   "sum-32/u32be",
		"sfnt-whole-file-sum":   "sum-32/u32be",
	}
	rows := readTSV(t, "sums.tsv")
	require.GreaterOrEqual(t, len(rows), 140)
	for i, row := range rows {
		var a checksum.Algorithm
		if row["algorithm"] == "sfnt-checksum-adjustment" { // 0xB1B0AFBA less the sum
			var err error
			a, err = mustLookup(t, "sum-32/u32be/twos-complement").WithInit(checksum.NewValue(32, 1<<32-0xB1B0AFBA))
			require.NoError(t, err)
		} else if name, ok := names[row["algorithm"]]; ok {
			a = mustLookup(t, name)
		} else {
			a = mustLookup(t, row["algorithm"])
		}
		expected := "0x" + row["expected"]
		if name := row["algorithm"]; name == "bsd-sum" || name == "sysv-sum" || name == "posix-cksum" {
			expected = row["expected"] // decimal
		}
		want := parse(t, a.Width(), expected)
		got := a.Checksum(readInput(t, row["input"]))
		if n, _ := got.Uint64(); row["algorithm"] == "udp-checksum-ipv4" && n == 0 {
			got = checksum.NewValue(16, 0xFFFF) // RFC 768: a sum of zero is sent as all ones
		}
		assert.Equal(t, want, got, "line %d: %s, %s", i+2, row["algorithm"], row["parameters"])
	}
}

// randomData gives bytes that are zero, all ones or anything, in stretches.
func randomData(rng *rand.Rand, n int) []byte {
	data := make([]byte, n)
	for i := range data {
		switch data[i] = byte(rng.Uint32()); i / 512 % 3 {
		case 1:
			data[i] = 0xFF
		case 2:
			data[i] = 0
		}
	}
	return data
}

// systematic returns every sum made of words.
func systematic() []checksum.SumParams {
	var list []checksum.SumParams
	for _, a := range checksum.All() {
		if p, ok := a.Sum(); ok {
			list = append(list, p)
		}
	}
	return list
}

func TestSumsAgainstDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	all := systematic()
	require.Equal(t, 84, len(all))
	for _, p := range all {
		variants := []checksum.SumParams{p, p, p}
		variants[1].Init = rng.Uint64() >> (64 - p.Width)
		variants[1].XorOut = rng.Uint64() >> (64 - p.Width)
		variants[1].Pad = 0xFF
		variants[2].AddLength = p.Op != checksum.OpXor
		for _, p := range variants {
			a, err := checksum.NewSum(p)
			require.NoError(t, err)
			for _, n := range []int{0, 1, 2, 3, 7, 8, 9, 31, 64, 257, 2048, 5003} {
				data := randomData(rng, n)
				require.Equal(t, referenceSum(p, data), a.Checksum(data), "%v over %d bytes", p, n)
			}
			zeros, ones := make([]byte, 4096), []byte(strings.Repeat("\xFF", 4096))
			require.Equal(t, referenceSum(p, zeros), a.Checksum(zeros), "%v over zeros", p)
			require.Equal(t, referenceSum(p, ones), a.Checksum(ones), "%v over ones", p)
		}
	}
}

var fletchers = []struct {
	name                string
	width, wordSize     int
	bigEndian           bool
	modulus, startValue uint64
}{
	{"adler-32", 32, 1, false, 65521, 1},
	{"fletcher-16", 16, 1, false, 255, 0},
	{"fletcher-32", 32, 2, false, 65535, 0},
	{"fletcher-32-be", 32, 2, true, 65535, 0},
	{"fletcher-64", 64, 4, false, 1<<32 - 1, 0},
	{"fletcher-64-be", 64, 4, true, 1<<32 - 1, 0},
}

func TestFletchersAgainstDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, f := range fletchers {
		a := mustLookup(t, f.name)
		for _, n := range []int{0, 1, 2, 3, 4, 5, 7, 8, 9, 175, 176, 177, 1000, 5552, 65535, 65536, 65544, 200003} {
			data := randomData(rng, n)
			require.Equal(t, referenceFletcher(f.width, f.wordSize, f.bigEndian, f.modulus, f.startValue, data),
				a.Checksum(data), "%s over %d bytes", f.name, n)
		}
		ones := []byte(strings.Repeat("\xFF", 200000)) // the largest sums
		require.Equal(t, referenceFletcher(f.width, f.wordSize, f.bigEndian, f.modulus, f.startValue, ones), a.Checksum(ones), f.name)
	}
}

func TestNewSumReportsEveryMistake(t *testing.T) {
	_, err := checksum.NewSum(checksum.SumParams{Name: "mine", Width: 12, WordSize: 3, Op: "mul", Form: "odd"})
	require.Error(t, err)
	for _, part := range []string{"mine: ", "width 12", "words of 3 bytes", `"mul"`, `"odd"`} {
		assert.ErrorContains(t, err, part)
	}
	for want, p := range map[string]checksum.SumParams{
		"do not fit an accumulator": {Width: 8, WordSize: 2, Op: checksum.OpAdd},
		"start value 0x100":         {Width: 8, WordSize: 1, Op: checksum.OpAdd, Init: 0x100},
		"final XOR 0x100":           {Width: 8, WordSize: 1, Op: checksum.OpAdd, XorOut: 0x100},
		"not to an XOR":             {Width: 8, WordSize: 1, Op: checksum.OpXor, AddLength: true},
	} {
		_, err := checksum.NewSum(p)
		assert.ErrorContains(t, err, want)
	}
	a, err := checksum.NewSum(checksum.SumParams{Width: 8, WordSize: 1, Op: checksum.OpAdd})
	require.NoError(t, err)
	p, _ := a.Sum()
	assert.Equal(t, checksum.FormPlain, p.Form, "the zero form is plain")
}

func ExampleNewSum() {
	// The IPv4 header of the worked example of Wikipedia's "Internet checksum":
	// with its checksum field zeroed it gives 0xB861.
	header := []byte("\x45\x00\x00\x73\x00\x00\x40\x00\x40\x11\x00\x00\xc0\xa8\x00\x01\xc0\xa8\x00\xc7")
	internet, err := checksum.NewSum(checksum.SumParams{
		Name: "mine", Width: 16, WordSize: 2, BigEndian: true,
		Op: checksum.OpCarry, Form: checksum.FormOnes,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(internet.Checksum(header))
	// Output: 0xB861
}

// Blocks of 16 bytes, whole words of every sum, change places.
func TestOrderBlind(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 5))
	for _, a := range checksum.All() {
		same := true
		for range 8 {
			data := make([]byte, 64)
			for i := range data {
				data[i] = byte(r.Uint32())
			}
			moved := slices.Concat(data[48:], data[16:48], data[:16])
			same = same && a.Checksum(data) == a.Checksum(moved)
		}
		assert.Equal(t, same, a.OrderBlind(), a.Name())
	}
}
