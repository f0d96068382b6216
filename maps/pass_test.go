package maps_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
	"example.com/calproof/maps/demo"
)

// TestOnePassGivesWhatEachRuleGives compares Check with rules evaluated one by
// one, on maps of random rules over images with holes. Blocks of the pass are
// 64 KiB, so the images are larger.
func TestOnePassGivesWhatEachRuleGives(t *testing.T) {
	const size = 0x48000
	data := noise(size)
	verdicts := map[evidence.Verdict]int{}
	rapid.Check(t, func(t *rapid.T) {
		b := randomRules(t, size, data)
		results := b.Check()
		require.Equal(t, maps.CheckSeparately(b), results)
		for _, r := range results {
			if r.Computed != "" {
				verdicts["computed"]++
			} else {
				verdicts["not computed"]++
			}
		}
	})
	t.Log(verdicts)
	require.NotZero(t, verdicts["computed"])
	require.NotZero(t, verdicts["not computed"])
}

// randomRules draws a map of random rules and an image of data with a hole.
func randomRules(t *rapid.T, size int, data []byte) *maps.Bound {
	algorithms := []string{`algorithm = "CRC-32/ISO-HDLC"`, `algorithm = "CRC-16/IBM-3740"`, `algorithm = "CRC-5/USB"`, `algorithm = "CRC-82/DARC"`,
		`sum = { width = 8 }`, `sum = { width = 32, word = 4 }`, `sum = { width = 16, word = 2, form = "ones_complement" }`,
		`algorithm = "xor-16/u16le"`, `algorithm = "fletcher-16"`, `algorithm = "fletcher-32/u16le"`, `algorithm = "adler-32"`, `algorithm = "SHA-256"`, `algorithm = "bsd-sum"`, `algorithm = "sysv-sum"`, `algorithm = "posix-cksum"`, `algorithm = "carry-16/u16be/ones-complement"`}
	n := rapid.IntRange(1, 8).Draw(t, "rules")
	var rules strings.Builder
	for i := range n {
		fmt.Fprintf(&rules, "\n[[checksum]]\nname = \"%d\"\n", i)
		seeded := i > 0 && rapid.IntRange(0, 4).Draw(t, "seeded") == 0
		if seeded {
			fmt.Fprintf(&rules, "algorithm = \"CRC-32/ISO-HDLC\"\ninit_from = \"seed\"\ninit_as = %q\n", rapid.SampledFrom([]string{"register", "parameter", "continue"}).Draw(t, "as"))
		} else {
			rules.WriteString(rapid.SampledFrom(algorithms).Draw(t, "algorithm") + "\n")
		}
		repeated, end := rapid.IntRange(0, 3).Draw(t, "repeated") == 0, size
		if repeated {
			end = 0x30000 // so that all repetitions lie in the image
		}
		fmt.Fprintf(&rules, "cover = [%s]\n", strings.Join(covers(t, end), ", "))
		if gaps := rapid.SampledFrom([]string{"", "gaps = 0xFF", `gaps = "skip"`}).Draw(t, "gaps"); gaps != "" {
			fmt.Fprintln(&rules, gaps)
		}
		if rapid.Bool().Draw(t, "masked") {
			at := rapid.IntRange(0x1000, end-0x100).Draw(t, "mask")
			fmt.Fprintf(&rules, "count = [{ range = \"0x%X+%d\", as = 0x5A }, { range = \"0x100+4\", as = \"01020304\" }]\n", at, rapid.IntRange(1, 200).Draw(t, "masked bytes"))
		}
		if rapid.Bool().Draw(t, "padded") {
			rules.WriteString("pad = { to = 4, with = 0xEE }\n")
		}
		if repeated {
			fmt.Fprintf(&rules, "repeat = { count = %d, stride = %d, stored_stride = 16 }\n", rapid.IntRange(1, 9).Draw(t, "count"), rapid.IntRange(1, 0x3000).Draw(t, "stride"))
		}
		fmt.Fprintf(&rules, "stored = { at = 0x%X, bytes = 2, keep = \"low\" }\n", 0x200+0x100*i)
	}
	rules.WriteString("\n[[checksum]]\nname = \"seed\"\nalgorithm = \"CRC-32/ISO-HDLC\"\n" + fmt.Sprintf("cover = [%s]\n", strings.Join(covers(t, size), ", ")) + "stored = { at = 0x180 }\n")
	m, err := maps.Parse("random.toml", fmt.Appendf(nil, "format = 1\n[image]\nsize = %d\nbyte_order = \"big\"\n%s", size, rules.String()))
	require.NoError(t, err)
	hole := rapid.IntRange(0x800, size-0x200).Draw(t, "hole")
	im, err := image.FromSegments(image.Segment{Data: data[:hole]},
		image.Segment{Start: uint64(hole + 1 + rapid.IntRange(0, 0x100).Draw(t, "width")), Data: data[hole+0x101:]})
	require.NoError(t, err)
	b, err := maps.Bind(m, im)
	require.NoError(t, err)
	return b
}

// covers draws ranges in any order, with literal bytes between.
func covers(t *rapid.T, size int) (out []string) {
	for range rapid.IntRange(1, 4).Draw(t, "pieces") {
		switch rapid.IntRange(0, 5).Draw(t, "kind") {
		case 0:
			out = append(out, `{ bytes = "AA 55 01 02" }`)
		case 1:
			out = append(out, `{ length_bytes = 4 }`)
		}
		start := rapid.IntRange(0x1000, size-2).Draw(t, "start") &^ 3
		out = append(out, fmt.Sprintf(`"0x%X+%d"`, start, min(rapid.IntRange(1, 0x20000).Draw(t, "length")*rapid.SampledFrom([]int{1, 4}).Draw(t, "unit"), size-start)))
	}
	return out
}

func TestOnePassOnDemo(t *testing.T) {
	files, err := demo.Files()
	require.NoError(t, err)
	m, err := maps.Parse(files[0].Name, files[0].Data)
	require.NoError(t, err)
	for _, f := range files[1:] {
		b, err := maps.New(f.Name, bytes.NewReader(f.Data), int64(len(f.Data)), m, image.Options{})
		require.NoError(t, err)
		require.Equal(t, maps.CheckSeparately(b), b.Check(), f.Name)
	}
}

func TestOnePassOnExamples(t *testing.T) {
	files, err := filepath.Glob("examples/*.toml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, f := range files {
		m, err := maps.Load(f)
		require.NoError(t, err)
		for _, size := range []uint64{m.Image.Size, m.Image.Size / 2, 64} {
			b, err := maps.New(f, bytes.NewReader(noise(int(size))), int64(size), m, image.Options{Format: image.FormatRaw})
			require.NoError(t, err)
			require.Equal(t, maps.CheckSeparately(b), b.Check(), f)
		}
	}
}

// counted counts the bytes that are read; those of bad cannot be.
type counted struct {
	io.ReaderAt
	bytes int
	bad   image.Range
}

var errBad = errors.New("bad sector")

func (c *counted) ReadAt(p []byte, off int64) (int, error) {
	asked := image.Range{Start: uint64(off), Size: uint64(len(p))}
	if both, ok := asked.Intersect(c.bad); ok {
		n, _ := c.ReaderAt.ReadAt(p[:both.Start-asked.Start], off)
		return n, errBad
	}
	n, err := c.ReaderAt.ReadAt(p, off)
	c.bytes += n
	return n, err
}

const overlapping = `
[[checksum]]
name = "all"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0x7FFEF"]
stored = { at = 0x7FFFC }
[[checksum]]
name = "back to front"
algorithm = "CRC-16/IBM-3740"
cover = ["0x40000-0x7FFEF", { length_bytes = 4 }, "0x0-0x3FFFF"]
stored = { at = 0x7FFF8 }
[[checksum]]
name = "twice"
sum = { width = 32, word = 4 }
cover = ["0x10000-0x6FFFF", "0x0-0x6FFFF"]
stored = { at = 0x7FFF4 }
[[checksum]]
name = "goes on"
algorithm = "CRC-16/IBM-3740"
init_from = "begins"
init_as = "continue"
cover = ["0x30000-0x3FFFF"]
stored = { at = 0x7FFF2 }
[[checksum]]
name = "begins"
algorithm = "CRC-16/IBM-3740"
cover = ["0x0-0x1FFFF"]
stored = { at = 0x7FFF0 }
[[checksum]]
name = "part of a block"
algorithm = "CRC-16/IBM-3740"
cover = ["0x42000-0x42FFF"]
target = 0
`

func TestBytesAreReadOnce(t *testing.T) {
	data := noise(0x80000)
	file := &counted{ReaderAt: bytes.NewReader(data)}
	b, err := maps.New("file", file, 0x80000, parse(t, 0x80000, overlapping), image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	file.bytes = 0
	results := b.Check()
	assert.Equal(t, 0x7FFF0+4+2+4+2+2, file.bytes, "the covered bytes and the fields")
	require.Equal(t, maps.CheckSeparately(b), results)

	file.bytes = 0
	h := sha256.New()
	withFile := &maps.Pass{Bound: b, Rules: true, File: h}
	require.NoError(t, maps.ReadOnce(nil, withFile))
	assert.Equal(t, results, withFile.Results)
	assert.Equal(t, 0x80000+4+2+4+2+2, file.bytes)
	want := sha256.Sum256(data)
	assert.Equal(t, want[:], h.Sum(nil))
}

// A digest has no value of a whole from those of its parts: the part that
// stands out of order is read again, and nothing else is.
func TestOutOfOrderDigest(t *testing.T) {
	file := &counted{ReaderAt: bytes.NewReader(noise(0x80000))}
	b, err := maps.New("file", file, 0x80000, parse(t, 0x80000, `
[[checksum]]
name = "back to front"
algorithm = "SHA-256"
cover = ["0x40000-0x7FF00", "0x0-0x1FFFF"]
stored = { at = 0x7FFC0 }
[[checksum]]
name = "all but two bytes"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0x2FFFF", "0x30001-0x3FFFE", "0x40000-0x7FF00"]
stored = { at = 0x7FFB0 }
`), image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	file.bytes = 0
	results := b.Check()
	assert.Equal(t, 0x7FF01-2+0x20000+32+4, file.bytes)
	require.Equal(t, maps.CheckSeparately(b), results)
}

// The seed is known before any byte is read.
func TestSeedOfMaskedBytes(t *testing.T) {
	b := flat(t, noise(0x100), `
[[checksum]]
name = "begins"
algorithm = "CRC-16/IBM-3740"
cover = ["0x0-0xF"]
count = [{ range = "0x0-0xF", as = 0x31 }]
stored = { at = 0xF0 }
[[checksum]]
name = "goes on"
algorithm = "CRC-16/IBM-3740"
init_from = "begins"
init_as = "continue"
cover = ["0x10-0x1F"]
stored = { at = 0xF2 }
`)
	want, err := checksum.Lookup("CRC-16/IBM-3740")
	require.NoError(t, err)
	assert.Equal(t, want.Checksum(append(bytes.Repeat([]byte("1"), 16), noise(0x100)[0x10:0x20]...)).String(), b.Check()[1].Computed)
	require.Equal(t, maps.CheckSeparately(b), b.Check())
}

func TestUnreadableBytesFailOnlyTheRulesThatCountThem(t *testing.T) {
	for _, bad := range []image.Range{{Start: 0x41000, Size: 16}, {Start: 0, Size: 1}, {Start: 0x7FFEF, Size: 1}, {Start: 0x2FFFF, Size: 0x8000}} {
		file := &counted{ReaderAt: bytes.NewReader(noise(0x80000))}
		b, err := maps.New("file", file, 0x80000, parse(t, 0x80000, overlapping), image.Options{Format: image.FormatRaw})
		require.NoError(t, err)
		file.bad = bad
		results := b.Check()
		require.Equal(t, maps.CheckSeparately(b), results)
		assert.Contains(t, results[0].Reason, fmt.Sprintf("read at 0x%X: bad sector", bad.Start))
		h := sha256.New()
		withFile := &maps.Pass{Bound: b, Name: "original", Rules: true, File: h}
		err = maps.ReadOnce(nil, withFile)
		require.ErrorIs(t, err, errBad)
		require.ErrorContains(t, err, fmt.Sprintf("original: read at 0x%X", bad.Start))
		require.Equal(t, results, withFile.Results)
	}
}

func TestReadFile(t *testing.T) {
	m := parse(t, 0x100, "swapped = 2\n"+`
[[checksum]]
name = "all"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0xEF"]
stored = { at = 0xFC }
`)
	data := noise(0x100)
	b, err := maps.New("file", bytes.NewReader(data), 0x100, m, image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	var got bytes.Buffer
	p := &maps.Pass{Bound: b, Rules: true, File: &got}
	require.NoError(t, maps.ReadOnce(nil, p))
	assert.Equal(t, data, got.Bytes(), "the file, not what the map makes of it")
	assert.Equal(t, b.Check(), p.Results)

	whole := flat(t, data, "")
	require.ErrorContains(t, maps.ReadOnce(nil, &maps.Pass{Bound: whole, File: &got}), "has no file")

	b, err = maps.New("file", bytes.NewReader(data), 0x100, parse(t, 0x100, ""), image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	require.ErrorIs(t, maps.ReadOnce(nil, &maps.Pass{Bound: b, File: fullDisk{}}), io.ErrShortWrite)
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, io.ErrShortWrite }
