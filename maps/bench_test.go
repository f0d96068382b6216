package maps_test

import (
	"hash/crc32"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/maps"
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
