package checksum_test

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// anyCRC draws parameters of any width; x^width alone is no polynomial to
// check with.
func anyCRC() *rapid.Generator[checksum.CRCParams] {
	return rapid.Custom(func(t *rapid.T) checksum.CRCParams {
		width := rapid.IntRange(1, 128).Draw(t, "width")
		number := func(name string) checksum.Value {
			raw := rapid.SliceOfN(rapid.Byte(), (width+7)/8, (width+7)/8).Draw(t, name)
			if used := width % 8; used != 0 {
				raw[0] &= 1<<used - 1
			}
			v, err := checksum.ValueFromBytes(width, raw)
			require.NoError(t, err)
			return v
		}
		p := checksum.CRCParams{
			Name: "drawn", Width: width, Poly: number("poly"), Init: number("init"), XorOut: number("xorout"),
			RefIn: rapid.Bool().Draw(t, "refin"), RefOut: rapid.Bool().Draw(t, "refout"),
		}
		if p.Poly == checksum.NewValue(width, 0) {
			p.Poly = checksum.NewValue(width, 1)
		}
		return p
	})
}

func anySum() *rapid.Generator[checksum.SumParams] {
	return rapid.Custom(func(t *rapid.T) checksum.SumParams {
		width := rapid.SampledFrom([]int{8, 16, 32, 64}).Draw(t, "width")
		p := checksum.SumParams{
			Name: "drawn", Width: width,
			WordSize:  rapid.SampledFrom([]int{1, 2, 4, 8}[:map[int]int{8: 1, 16: 2, 32: 3, 64: 4}[width]]).Draw(t, "word"),
			BigEndian: rapid.Bool().Draw(t, "big"),
			Op:        rapid.SampledFrom([]checksum.SumOp{checksum.OpAdd, checksum.OpCarry, checksum.OpXor}).Draw(t, "op"),
			Form:      rapid.SampledFrom([]checksum.Form{checksum.FormPlain, checksum.FormOnes, checksum.FormTwos}).Draw(t, "form"),
			Init:      rapid.Uint64().Draw(t, "init") >> (64 - width),
			XorOut:    rapid.Uint64().Draw(t, "xorout") >> (64 - width),
			Pad:       rapid.Byte().Draw(t, "pad"),
		}
		p.AddLength = p.Op != checksum.OpXor && rapid.Bool().Draw(t, "length")
		return p
	})
}

// anyAlgorithm draws a named algorithm or one of free parameters.
func anyAlgorithm(t *rapid.T) checksum.Algorithm {
	switch rapid.IntRange(0, 2).Draw(t, "kind") {
	case 0:
		a, err := checksum.NewCRC(anyCRC().Draw(t, "crc"))
		require.NoError(t, err)
		return a
	case 1:
		a, err := checksum.NewSum(anySum().Draw(t, "sum"))
		require.NoError(t, err)
		return a
	default:
		return rapid.SampledFrom(checksum.All()).Draw(t, "named")
	}
}

// message draws bytes among which runs of zeros and ones are frequent: they
// are what end-around carry is delicate about.
func message(t *rapid.T, name string, maxLen int) []byte {
	if rapid.IntRange(0, 3).Draw(t, name+" kind") == 0 {
		b := rapid.SampledFrom([]byte{0x00, 0xFF, 0x01}).Draw(t, name+" byte")
		return bytes.Repeat([]byte{b}, rapid.IntRange(0, maxLen).Draw(t, name+" length"))
	}
	return rapid.SliceOfN(rapid.Byte(), 0, maxLen).Draw(t, name)
}

// wordSize of a is what the docs call the word of a sum: a hash reports it as
// its block size.
func wordSize(a checksum.Algorithm) int {
	if a.Family() == checksum.FamilySum {
		return a.New().BlockSize()
	}
	return 1
}

func wholeWords(a checksum.Algorithm, data []byte) []byte {
	return data[:len(data)-len(data)%wordSize(a)]
}

var unsupportedParts = map[string]bool{"bsd-sum": true, "sysv-sum": true, "posix-cksum": true}

func supportsParts(a checksum.Algorithm) bool {
	return a.Family() != checksum.FamilyDigest && !unsupportedParts[a.Name()]
}

func TestStreamEqualsOneShot(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAlgorithm(t)
		data := message(t, "data", 300)
		want := a.Checksum(data)
		assert.Equal(t, a.Width(), want.Width())
		h := a.New()
		h.Write([]byte("gone after Reset"))
		h.Reset()
		rest := data
		for len(rest) > 0 {
			n := rapid.IntRange(0, len(rest)).Draw(t, "split")
			wrote, err := h.Write(rest[:n])
			require.NoError(t, err)
			require.Equal(t, n, wrote)
			rest = rest[n:]
			h.Value() // looking does not change the state
		}
		assert.Equal(t, want, h.Value())
		assert.Equal(t, append([]byte("x"), want.Bytes()...), h.Sum([]byte("x")))
		assert.Equal(t, len(want.Bytes()), h.Size())
	})
}

func TestFreeParametersAgainstDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := message(t, "data", 100)
		p := anyCRC().Draw(t, "crc")
		a, err := checksum.NewCRC(p)
		require.NoError(t, err)
		require.Equal(t, bitwiseCRC(p, data), a.Checksum(data))
		s := anySum().Draw(t, "sum")
		a, err = checksum.NewSum(s)
		require.NoError(t, err)
		require.Equal(t, referenceSum(s, data), a.Checksum(data))
	})
}

func TestCombine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAlgorithm(t)
		first, second := wholeWords(a, message(t, "first", 200)), message(t, "second", 200)
		got, err := a.Combine(a.Checksum(first), a.Checksum(second), uint64(len(second)))
		if !supportsParts(a) {
			require.ErrorIs(t, err, errors.ErrUnsupported)
			assert.ErrorContains(t, err, a.Name())
			return
		}
		require.NoError(t, err)
		assert.Equal(t, a.Checksum(append(first, second...)), got, a.Parameters())
	})
}

// Every named algorithm in turn, as the random tests draw sums of words mostly.
func TestStreamsOfEveryAlgorithm(t *testing.T) {
	data := randomData(rand.New(rand.NewPCG(23, 24)), 1003)
	const cut = 304 // a multiple of every word
	for _, a := range checksum.All() {
		assert.Equal(t, a.Name(), a.String())
		want := a.Checksum(data)
		h := a.New()
		h.Write(data)
		h.Reset()
		h.Write(data[:501])
		h.Write(data[501:])
		assert.Equal(t, want, h.Value(), a.Name())
		assert.Equal(t, want.Bytes(), h.Sum(nil), a.Name())
		assert.Equal(t, (a.Width()+7)/8, h.Size(), a.Name())
		assert.Positive(t, h.BlockSize(), a.Name())

		resumed, err := a.Resume(a.Checksum(data[:cut]))
		if a.Name() == "sysv-sum" || a.Name() == "posix-cksum" || a.Family() == checksum.FamilyDigest {
			assert.ErrorIs(t, err, errors.ErrUnsupported, a.Name())
			continue
		}
		require.NoError(t, err, a.Name())
		resumed.Write(data[cut:])
		assert.Equal(t, want, resumed.Value(), "%s, resumed", a.Name())
	}
}

func TestPartsOfEveryAlgorithm(t *testing.T) {
	data := randomData(rand.New(rand.NewPCG(21, 22)), 1003)
	const cut, at = 304, 501 // cut is a multiple of every word
	long := append(slices.Clone(data), bytes.Repeat([]byte{0x5A}, 333)...)
	changed := slices.Clone(data)
	copy(changed[at:], "patched")
	for _, a := range checksum.All() {
		whole := a.Checksum(data)
		combined, errCombine := a.Combine(a.Checksum(data[:cut]), a.Checksum(data[cut:]), uint64(len(data)-cut))
		longer, errRun := a.AppendRun(a.Checksum(data[:1000]), 0x5A, 333)
		patched, errPatch := a.Patched(whole, uint64(len(data)), at, data[at:at+7], changed[at:at+7])
		if a.Family() == checksum.FamilyDigest || a.Name() == "bsd-sum" {
			assert.ErrorIs(t, errPatch, errors.ErrUnsupported, a.Name())
		} else if assert.NoError(t, errPatch, a.Name()) {
			assert.Equal(t, a.Checksum(changed), patched, "%s, patched", a.Name())
		}
		if !supportsParts(a) {
			assert.ErrorIs(t, errCombine, errors.ErrUnsupported, a.Name())
			assert.ErrorIs(t, errRun, errors.ErrUnsupported, a.Name())
			continue
		}
		require.NoError(t, errors.Join(errCombine, errRun), a.Name())
		assert.Equal(t, whole, combined, "%s, combined", a.Name())
		assert.Equal(t, a.Checksum(slices.Concat(data[:1000], long[1003:])), longer, "%s, with a run", a.Name())
	}
}

// A message that does not end on a whole word counts as padded.
func TestCombinePadsTheFirst(t *testing.T) {
	a := mustLookup(t, "internet-checksum")
	got, err := a.Combine(a.Checksum([]byte{1, 2, 3}), a.Checksum([]byte{4}), 1)
	require.NoError(t, err)
	assert.Equal(t, a.Checksum([]byte{1, 2, 3, 0, 4}), got)
}

func TestResume(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAlgorithm(t)
		first, second := wholeWords(a, message(t, "first", 200)), message(t, "second", 200)
		h, err := a.Resume(a.Checksum(first))
		if !supportsParts(a) && a.Name() != "bsd-sum" {
			require.ErrorIs(t, err, errors.ErrUnsupported)
			return
		}
		require.NoError(t, err)
		h.Write(second)
		assert.Equal(t, a.Checksum(append(first, second...)), h.Value(), a.Parameters())
	})
}

func TestAppendRun(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAlgorithm(t)
		first := wholeWords(a, message(t, "first", 50))
		b := rapid.Byte().Draw(t, "byte")
		n := rapid.IntRange(0, 3000).Draw(t, "n")
		got, err := a.AppendRun(a.Checksum(first), b, uint64(n))
		if !supportsParts(a) {
			require.ErrorIs(t, err, errors.ErrUnsupported)
			return
		}
		require.NoError(t, err)
		assert.Equal(t, a.Checksum(append(first, bytes.Repeat([]byte{b}, n)...)), got, a.Parameters())
	})
}

// Runs too long to be written out: appending in two steps gives the same, and
// so does combining.
func TestVeryLongRuns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAlgorithm(t)
		if !supportsParts(a) {
			t.Skip("has no runs")
		}
		b := rapid.Byte().Draw(t, "byte")
		m := rapid.Uint64Range(0, 1<<62).Draw(t, "m") &^ 7
		n := rapid.Uint64Range(0, 1<<63).Draw(t, "n")
		empty := a.Checksum(nil)
		first, err := a.AppendRun(empty, b, m)
		require.NoError(t, err)
		second, err := a.AppendRun(empty, b, n)
		require.NoError(t, err)
		both, err := a.AppendRun(empty, b, m+n)
		require.NoError(t, err)
		stepwise, err := a.AppendRun(first, b, n)
		require.NoError(t, err)
		combined, err := a.Combine(first, second, n)
		require.NoError(t, err)
		assert.Equal(t, both, stepwise, a.Parameters())
		assert.Equal(t, both, combined, a.Parameters())
	})
}

func TestPatched(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAlgorithm(t)
		data := message(t, "data", 200)
		from := rapid.IntRange(0, len(data)).Draw(t, "from")
		to := rapid.IntRange(from, len(data)).Draw(t, "to")
		after := message(t, "after", to-from)
		after = append(after, make([]byte, to-from-len(after))...)
		changed := append(append(append([]byte(nil), data[:from]...), after...), data[to:]...)
		got, err := a.Patched(a.Checksum(data), uint64(len(data)), uint64(from), data[from:to], after)
		if a.Family() == checksum.FamilyDigest || a.Name() == "bsd-sum" {
			require.ErrorIs(t, err, errors.ErrUnsupported)
			return
		}
		p, isSum := a.Sum()
		if err != nil && (isSum && p.Op == checksum.OpCarry || a.Name() == "sysv-sum") {
			// Allowed only where 0 and all ones cannot be told apart.
			require.ErrorIs(t, err, errors.ErrUnsupported)
			require.Zero(t, bytes.Trim(after, "\x00"))
			return
		}
		require.NoError(t, err)
		assert.Equal(t, a.Checksum(changed), got, a.Parameters())
	})
}

func TestPatchedTellsZeroFromAllOnes(t *testing.T) {
	a := mustLookup(t, "carry-8/u8")
	zero, ones := checksum.NewValue(8, 0), checksum.NewValue(8, 0xFF)
	for _, c := range []struct {
		total         uint64
		old           byte
		before, after string
		want          checksum.Value
	}{
		{1, 0x12, "\x12", "\x00", zero},         // all of the message
		{2, 0x12, "\x12", "\xFF", ones},         // a byte that is not zero stays
		{1, 0x00, "\x00", "\xFF", ones},         // from zero
		{1, 0xFF, "\xFF", "\x00", zero},         // to zero
		{2, 0x00, "\x00\x00", "\x00\x00", zero}, // nothing changed
		{2, 0xFF, "\xFF", "\xFF", ones},
	} {
		got, err := a.Patched(checksum.NewValue(8, uint64(c.old)), c.total, 0, []byte(c.before), []byte(c.after))
		require.NoError(t, err)
		assert.Equal(t, c.want, got, "%+v", c)
	}
	// What is left could be one byte of 0x00 or of 0xFF.
	_, err := a.Patched(checksum.NewValue(8, 0x12), 2, 0, []byte{0x12}, []byte{0})
	assert.ErrorIs(t, err, errors.ErrUnsupported)
	assert.ErrorContains(t, err, "carry-8/u8: ")
}

// What a message of zeros adds to the accumulator settles the question.
func TestPatchedWhereZeroCannotBe(t *testing.T) {
	base := checksum.SumParams{Name: "carrying", Width: 8, WordSize: 1, Op: checksum.OpCarry}
	start, length, pad := base, base, base
	start.Init = 0xFF
	length.AddLength = true
	pad.Width, pad.WordSize, pad.Pad = 16, 2, 0xFF
	for _, c := range []struct {
		params checksum.SumParams
		data   []byte
		at     int
	}{
		{start, []byte{0x12}, 0},
		{length, append(make([]byte, 254), 0x12), 254},
		{pad, []byte{0xFF, 0x00, 0x12}, 2},
	} {
		a, err := checksum.NewSum(c.params)
		require.NoError(t, err)
		old := a.Checksum(c.data)
		before := []byte{c.data[c.at]}
		c.data[c.at] = 0
		want := referenceSum(c.params, c.data)
		require.Equal(t, checksum.NewValue(c.params.Width, 0xFFFF), want)
		got, err := a.Patched(old, uint64(len(c.data)), uint64(c.at), before, []byte{0})
		require.NoError(t, err, a.Parameters())
		assert.Equal(t, want, got, a.Parameters())
	}
}

// The 32 bits behind sysv-sum overflow in 16843010 bytes of 0xFF.
func TestSysVOverflow(t *testing.T) {
	a := mustLookup(t, "sysv-sum")
	for _, total := range []int{16843009, 16843010} {
		data := bytes.Repeat([]byte{0xFF}, total)
		old := a.Checksum(data)
		data[5] = 1
		got, err := a.Patched(old, uint64(total), 5, []byte{0xFF}, []byte{1})
		if total == 16843010 {
			require.ErrorIs(t, err, errors.ErrUnsupported)
			continue
		}
		require.NoError(t, err)
		require.Equal(t, a.Checksum(data), got)
	}
}

func TestPartsRefuseWhatDoesNotFit(t *testing.T) {
	cksum := mustLookup(t, "posix-cksum") // message and length have more than 2^64 bytes
	_, err := cksum.Patched(cksum.Check(), math.MaxUint64, 0, []byte{1}, []byte{2})
	assert.ErrorContains(t, err, "the message is too long")
	a := mustLookup(t, "CRC-16/XMODEM")
	ok, wrong := checksum.NewValue(16, 1), checksum.NewValue(32, 1)
	_, err = a.Combine(ok, wrong, 1)
	assert.ErrorContains(t, err, "CRC-16/XMODEM: the second checksum 0x00000001 has 32 bits, the algorithm has 16")
	_, err = a.Combine(checksum.Value{}, wrong, 1)
	assert.ErrorContains(t, err, "the first checksum is not given")
	assert.ErrorContains(t, err, "second")
	_, err = a.AppendRun(wrong, 0, 1)
	assert.Error(t, err)
	_, err = a.Resume(wrong)
	assert.Error(t, err)
	_, err = a.Patched(wrong, 1, 0, nil, nil)
	assert.Error(t, err)
	_, err = a.Patched(ok, 10, 0, []byte{1}, []byte{1, 2})
	assert.ErrorContains(t, err, "1 before, 2 after")
	_, err = a.Patched(ok, 10, 9, []byte{1, 2}, []byte{1, 2})
	assert.ErrorContains(t, err, "runs past the end of 10 bytes")
	_, err = a.Patched(ok, 10, 11, nil, nil)
	assert.ErrorContains(t, err, "runs past the end")
}

func TestWithInitAndXorOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAlgorithm(t)
		raw := rapid.Uint64().Draw(t, "value")
		v := checksum.NewValue(a.Width(), raw)
		data := message(t, "data", 50)
		byInit, errInit := a.WithInit(v)
		byXor, errXor := a.WithXorOut(v)
		if p, ok := a.CRC(); ok {
			require.NoError(t, errors.Join(errInit, errXor))
			q := p
			q.Init = v
			assert.Equal(t, bitwiseCRC(q, data), byInit.Checksum(data))
			assert.Equal(t, byInit.Checksum(nine), byInit.Check())
			p.XorOut = v
			assert.Equal(t, bitwiseCRC(p, data), byXor.Checksum(data))
			assert.Contains(t, byXor.Name(), a.Name())
			assert.NotEqual(t, a.Name(), byXor.Name())
			assert.Contains(t, byXor.Source(), a.Name())
		} else if p, ok := a.Sum(); ok {
			require.NoError(t, errors.Join(errInit, errXor))
			q := p
			q.Init, _ = v.Uint64()
			assert.Equal(t, referenceSum(q, data), byInit.Checksum(data))
			p.XorOut, _ = v.Uint64()
			assert.Equal(t, referenceSum(p, data), byXor.Checksum(data))
		} else {
			require.ErrorIs(t, errInit, errors.ErrUnsupported)
			require.ErrorIs(t, errXor, errors.ErrUnsupported)
		}
	})
	for _, name := range []string{"CRC-32", "sum-32/u8"} {
		_, err := mustLookup(t, name).WithInit(checksum.NewValue(16, 1))
		assert.ErrorContains(t, err, "0x0001 has 16 bits, the algorithm has 32")
		_, err = mustLookup(t, name).WithXorOut(checksum.NewValue(16, 1))
		assert.ErrorContains(t, err, "0x0001 has 16 bits, the algorithm has 32")
	}
}

func TestNewCRCRefuses(t *testing.T) {
	good := checksum.CRCParams{
		Name: "mine", Width: 16, Poly: checksum.NewValue(16, 0x1021),
		Init: checksum.NewValue(16, 0), XorOut: checksum.NewValue(16, 0),
	}
	_, err := checksum.NewCRC(good)
	require.NoError(t, err)
	for want, change := range map[string]func(p *checksum.CRCParams){
		"width 129: a CRC has 1 to 128 bits": func(p *checksum.CRCParams) { p.Width = 129 },
		"width 0: a CRC has 1 to 128 bits":   func(p *checksum.CRCParams) { p.Width = 0 },
		"width -1: a CRC has 1 to 128 bits":  func(p *checksum.CRCParams) { p.Width = -1 },
		"init 0x00011021 has 32 bits":        func(p *checksum.CRCParams) { p.Init = checksum.NewValue(32, 0x11021) },
		"final XOR 0x01 has 8 bits":          func(p *checksum.CRCParams) { p.XorOut = checksum.NewValue(8, 1) },
		"poly 0x07 has 8 bits":               func(p *checksum.CRCParams) { p.Poly = checksum.NewValue(8, 7) },
		"init is not given":                  func(p *checksum.CRCParams) { p.Init = checksum.Value{} },
		"final XOR is not given":             func(p *checksum.CRCParams) { p.XorOut = checksum.Value{} },
		"poly is 0":                          func(p *checksum.CRCParams) { p.Poly = checksum.NewValue(16, 0) },
		// 0x31C3 is the check value of CRC-16/XMODEM in the catalogue.
		"give the check value 0x31C3, not 0x31C4": func(p *checksum.CRCParams) { p.Check = checksum.NewValue(16, 0x31C4) },
		"give the residue 0x0000, not 0x0001":     func(p *checksum.CRCParams) { p.Residue = checksum.NewValue(16, 1) },
	} {
		p := good
		change(&p)
		_, err := checksum.NewCRC(p)
		assert.ErrorContains(t, err, want)
		assert.ErrorContains(t, err, "mine: ")
	}
	_, err = checksum.NewCRC(checksum.CRCParams{Width: 16}) // nothing given: all of it is said
	for _, part := range []string{"CRC without a name: ", "poly is not given", "init is not given", "final XOR is not given"} {
		assert.ErrorContains(t, err, part)
	}
}
