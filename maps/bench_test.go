package maps_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/maps"
	"example.com/calproof/maps/demo"
)

// benchMap has a rule over most of a 512 KiB image, in a few ranges.
const benchMap = `
[[region]]
name = "all"
range = "0x0-0x7FFFF"
role = "program"
[[checksum]]
name = "program"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0x3FFFF", "0x40010-0x7FFF7"]
count = [{ range = "0x100-0x103", as = 0xFF }]
stored = { at = 0x7FFFC }
`

// BenchmarkCheck binds a map to an image and evaluates its rule;
// BenchmarkPeerCRC32 computes the same bytes by hash/crc32 alone.
func BenchmarkCheck(b *testing.B) {
	m := parse(b, 0x80000, benchMap)
	im, err := image.FromSegments(image.Segment{Data: noise(0x80000)})
	require.NoError(b, err)
	b.SetBytes(0x80000)
	for b.Loop() {
		bound, err := maps.Bind(m, im)
		require.NoError(b, err)
		require.NotEmpty(b, bound.Check()[0].Computed)
	}
}

func BenchmarkPeerCRC32(b *testing.B) {
	data := noise(0x80000)
	b.SetBytes(0x80000)
	for b.Loop() {
		crc32.ChecksumIEEE(data)
	}
}

// BenchmarkReadOnce hashes a file of 64 MiB and evaluates one or eight rules over
// all of it, in one pass; beside it the hash alone, the rules alone, and both in
// a pass of their own. Bytes are counted once.
func BenchmarkReadOnce(b *testing.B) {
	for _, n := range []int{1, 8} {
		bound, size := wholeFile(b, n)
		hash := func(b *testing.B) {
			_, err := io.Copy(sha256.New(), bound.Image.File())
			require.NoError(b, err)
		}
		for _, job := range []struct {
			name string
			do   func(b *testing.B)
		}{
			{"SHA-256", hash},
			{"rules", func(b *testing.B) { require.Len(b, bound.Check(), n) }},
			{"both in one pass", func(b *testing.B) {
				require.NoError(b, maps.ReadOnce(nil, &maps.Pass{Bound: bound, Rules: true, File: sha256.New()}))
			}},
			{"both in two passes", func(b *testing.B) { hash(b); require.Len(b, bound.Check(), n) }},
			{"rules one by one", func(b *testing.B) { require.Len(b, maps.CheckSeparately(bound), n) }},
		} {
			b.Run(fmt.Sprintf("rules=%d/job=%s", n, strings.ReplaceAll(job.name, " ", "-")), func(b *testing.B) {
				b.SetBytes(size)
				for b.Loop() {
					job.do(b)
				}
			})
		}
	}
}

// BenchmarkSideBySide compares two files of 64 MiB while their eight rules are
// evaluated and both are hashed; beside it the same in passes of their own.
func BenchmarkSideBySide(b *testing.B) {
	one, size := wholeFile(b, 8)
	two, _ := wholeFile(b, 8)
	visit := func(_ uint64, blocks [][]byte) error {
		if !bytes.Equal(blocks[0], blocks[1]) {
			return errors.New("they differ")
		}
		return nil
	}
	b.Run("job=one-pass", func(b *testing.B) {
		b.SetBytes(2 * size)
		for b.Loop() {
			require.NoError(b, maps.ReadOnce(visit, &maps.Pass{Bound: one, Rules: true, File: sha256.New()}, &maps.Pass{Bound: two, Rules: true, File: sha256.New()}))
		}
	})
	b.Run("job=passes-of-their-own", func(b *testing.B) {
		b.SetBytes(2 * size)
		for b.Loop() {
			require.NoError(b, maps.ReadOnce(visit, &maps.Pass{Bound: one}, &maps.Pass{Bound: two}))
			for _, bound := range []*maps.Bound{one, two} {
				require.Len(b, bound.Check(), 8)
				require.NoError(b, maps.ReadOnce(nil, &maps.Pass{Bound: bound, File: sha256.New()}))
			}
		}
	})
}

// wholeFile binds a map of n rules to a file on disk, of the size returned.
func wholeFile(b *testing.B, n int) (*maps.Bound, int64) {
	const size = 64 << 20
	algorithms := []string{"CRC-32/ISO-HDLC", "CRC-16/IBM-3740", "CRC-32/ISCSI", "CRC-64/XZ", "sum-32/u32be", "sum-16/u8", "CRC-16/KERMIT", "xor-8/u8"}
	var rules strings.Builder
	for i, a := range algorithms[:n] {
		fmt.Fprintf(&rules, "[[checksum]]\nname = \"%d\"\nalgorithm = %q\ncover = [\"0x0-0x3FFFEFF\"]\nstored = { at = 0x%X }\n", i, a, 0x3FFFF00+16*i)
	}
	path := filepath.Join(b.TempDir(), "image.bin")
	require.NoError(b, os.WriteFile(path, noise(size), 0o600))
	bound, err := maps.Open(path, parse(b, size, rules.String()), image.Options{Format: image.FormatRaw})
	require.NoError(b, err)
	b.Cleanup(func() { bound.Close() })
	return bound, size
}

// BenchmarkCheckDemo evaluates the rules of the demo, 512 KiB.
func BenchmarkCheckDemo(b *testing.B) {
	files, err := demo.Files()
	require.NoError(b, err)
	m, err := maps.Parse(files[0].Name, files[0].Data)
	require.NoError(b, err)
	bound, err := maps.New("backup.bin", bytes.NewReader(files[1].Data), int64(len(files[1].Data)), m, image.Options{})
	require.NoError(b, err)
	for name, check := range map[string]func(*maps.Bound) []maps.RuleResult{"once": (*maps.Bound).Check, "separately": maps.CheckSeparately} {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(files[1].Data)))
			for b.Loop() {
				check(bound)
			}
		})
	}
}

func BenchmarkCheckRepeated(b *testing.B) {
	m := parse(b, 0x80000, `
[[checksum]]
name = "blocks"
algorithm = "sum-16/u16be"
cover = ["0x0-0xFD"]
repeat = { count = 2048, stride = 0x100 }
stored = { at = 0xFE }
`)
	im, err := image.FromSegments(image.Segment{Data: noise(0x80000)})
	require.NoError(b, err)
	b.SetBytes(0x80000)
	for b.Loop() {
		bound, err := maps.Bind(m, im)
		require.NoError(b, err)
		require.Len(b, bound.Check(), 2048)
	}
}

func BenchmarkParse(b *testing.B) {
	data, err := os.ReadFile("demo/groomer.toml")
	require.NoError(b, err)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		_, err := maps.Parse("groomer.toml", data)
		require.NoError(b, err)
	}
}

func BenchmarkSeal(b *testing.B) {
	bound := flat(b, noise(0x80000), benchMap)
	b.SetBytes(0x80000)
	for b.Loop() {
		_, err := bound.Seal()
		require.NoError(b, err)
	}
}
