package checksum_test

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// rawCRC is the form in which the fuzzer holds parameters: 16 bytes for each
// number, most significant first, of which the low width bits count.
type rawCRC struct {
	width              uint8
	poly, init, xorOut []byte
	refIn, refOut      bool
}

// params returns nil for what is not a CRC.
func (r rawCRC) params() *checksum.CRCParams {
	w := int(r.width)
	if w < 1 || w > 128 {
		return nil
	}
	number := func(raw []byte) checksum.Value {
		b := append(make([]byte, 16), raw...)
		b = b[len(b)-(w+7)/8:]
		if used := w % 8; used != 0 {
			b[0] &= 1<<used - 1
		}
		v, err := checksum.ValueFromBytes(w, b)
		if err != nil {
			panic(err)
		}
		return v
	}
	p := &checksum.CRCParams{
		Width: w, Poly: number(r.poly), Init: number(r.init), XorOut: number(r.xorOut), RefIn: r.refIn, RefOut: r.refOut,
	}
	if p.Poly == checksum.NewValue(w, 0) {
		return nil
	}
	return p
}

func seedOf(p checksum.CRCParams) rawCRC {
	return rawCRC{uint8(p.Width), p.Poly.Bytes(), p.Init.Bytes(), p.XorOut.Bytes(), p.RefIn, p.RefOut}
}

// The seeds are the rows of the catalogue; they must mean what they say.
func TestFuzzSeedsAreTheCatalogue(t *testing.T) {
	rows := readTSV(t, "crc-catalogue.tsv")
	require.NotEmpty(t, rows)
	for _, row := range rows {
		want := rowParams(t, row)
		p := seedOf(want).params()
		require.NotNil(t, p, want.Name)
		assert.Equal(t, want.String(), p.String())
		assert.Equal(t, want.Check, bitwiseCRC(*p, nine))
	}
}

// FuzzCRC compares every engine with the bit-by-bit reference: in one shot, as
// a stream in two pieces, and combined of two parts.
func FuzzCRC(f *testing.F) {
	long := randomData(rand.New(rand.NewPCG(17, 18)), 1100)
	for i, row := range readTSV(f, "crc-catalogue.tsv") {
		s := seedOf(rowParams(f, row))
		f.Add(s.width, s.poly, s.init, s.xorOut, s.refIn, s.refOut, nine, uint16(i))
		f.Add(s.width, s.poly, s.init, s.xorOut, s.refIn, s.refOut, long[:9*i], uint16(5*i))
	}
	f.Fuzz(func(t *testing.T, width uint8, poly, init, xorOut []byte, refIn, refOut bool, data []byte, split uint16) {
		p := rawCRC{width, poly, init, xorOut, refIn, refOut}.params()
		if p == nil {
			t.Skip("no CRC")
		}
		a, err := checksum.NewCRC(*p)
		require.NoError(t, err)
		want := bitwiseCRC(*p, data)
		first, second := data[:int(split)%(len(data)+1)], data[int(split)%(len(data)+1):]
		for _, engine := range checksum.Engines() {
			forced := checksum.WithEngine(a, engine)
			require.Equal(t, want, forced.Checksum(data), "%s: %v", engine, p)
			h := forced.New()
			h.Write(first)
			h.Write(second)
			require.Equal(t, want, h.Value(), "%s, in two pieces: %v", engine, p)
			got, err := forced.Combine(forced.Checksum(first), forced.Checksum(second), uint64(len(second)))
			require.NoError(t, err)
			require.Equal(t, want, got, "%s, combined: %v", engine, p)
		}
	})
}

// FuzzSum does the same for sums of words.
func FuzzSum(f *testing.F) {
	ops := []checksum.SumOp{checksum.OpAdd, checksum.OpCarry, checksum.OpXor}
	forms := []checksum.Form{checksum.FormPlain, checksum.FormOnes, checksum.FormTwos}
	for i := range 48 {
		f.Add(uint8(i), uint8(i/4), i%2 == 0, uint8(i), uint8(i/3), uint64(i/40), uint64(0), byte(i/24), i%5 == 0, bytes.Repeat(nine, i*3), uint16(7*i))
	}
	f.Fuzz(func(t *testing.T, width, word uint8, bigEndian bool, op, form uint8, init, xorOut uint64, pad byte, addLength bool, data []byte, split uint16) {
		p := checksum.SumParams{
			Width: 8 << (width % 4), WordSize: 1 << (word % (width%4 + 1)), BigEndian: bigEndian,
			Op: ops[op%3], Form: forms[form%3], Pad: pad,
		}
		p.Init, p.XorOut = init>>(64-p.Width), xorOut>>(64-p.Width)
		p.AddLength = addLength && p.Op != checksum.OpXor
		a, err := checksum.NewSum(p)
		require.NoError(t, err)
		want := referenceSum(p, data)
		at := int(split) % (len(data) + 1)
		check := func() {
			require.Equal(t, want, a.Checksum(data), p)
			h := a.New()
			h.Write(data[:at])
			h.Write(data[at:])
			require.Equal(t, want, h.Value(), p)
			if at%p.WordSize == 0 {
				got, err := a.Combine(a.Checksum(data[:at]), a.Checksum(data[at:]), uint64(len(data)-at))
				require.NoError(t, err)
				require.Equal(t, want, got, p)
			}
		}
		check()
		checksum.WithoutVectors(check)
	})
}

// FuzzText feeds names and numbers as a user might type them.
func FuzzText(f *testing.F) {
	for _, a := range checksum.All() {
		f.Add(a.Name(), a.Width())
		f.Add(a.Check().String(), a.Width())
	}
	f.Add("crc32", 32)
	f.Add("4294967295", 32)
	f.Fuzz(func(t *testing.T, text string, width int) {
		if a, err := checksum.Lookup(text); err == nil {
			require.NotEmpty(t, a.Name())
		} else {
			require.Less(t, len(err.Error()), 1000)
		}
		v, err := checksum.ParseValue(width, text)
		if err != nil {
			require.Less(t, len(err.Error()), 1000)
			return
		}
		again, err := checksum.ParseValue(width, v.String())
		require.NoError(t, err)
		require.Equal(t, v, again)
	})
}
