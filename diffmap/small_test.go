package diffmap

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

func smallMap(t testing.TB) *maps.Map {
	m, err := maps.Load("testdata/small.toml")
	require.NoError(t, err)
	return m
}

// smallImage makes an image that fits testdata/small.toml. edit changes it
// before the checksums are computed, by the standard library.
func smallImage(edit func(p []byte)) []byte {
	rng := rand.New(rand.NewPCG(7, 7))
	p := make([]byte, 0x4000)
	for i := range p {
		p[i] = byte(rng.Uint32())
	}
	for i := 0x3B00; i < 0x3E00; i++ { // in no region
		p[i] = 0xFF
	}
	copy(p[0x2000:], "TST-0001        ")
	copy(p[0x2F00:], "LABEL-A ")
	for i, degrees := range []int8{-20, 0, 40, 80} {
		p[0x2100+i] = byte(degrees)
		binary.BigEndian.PutUint16(p[0x2110+2*i:], uint16(4*(1200-100*i)))
	}
	for i := range 6 {
		p[0x2130+i] = byte(10 * i)
	}
	if edit != nil {
		edit(p)
	}
	binary.BigEndian.PutUint32(p[0x1FFC:], crc32.ChecksumIEEE(p[:0x1FFC]))
	binary.BigEndian.PutUint32(p[0x2FFC:], crc32.ChecksumIEEE(p[0x2100:0x2FFC]))
	return p
}

func raw(t require.TestingT, p []byte) *image.Image {
	return imageOf(t, image.Segment{Data: bytes.Clone(p)})
}

func bound(t require.TestingT, m *maps.Map, p []byte) *maps.Bound {
	b, err := maps.Bind(m, raw(t, p))
	require.NoError(t, err)
	return b
}

// known is an archive that proves the same of every image.
func known(a *ArchiveEvidence) func(string) (*ArchiveEvidence, error) {
	if a == nil {
		return nil
	}
	return func(string) (*ArchiveEvidence, error) { return a, nil }
}

// setIdle sets a cell of the idle speed table, in 1/min.
func setIdle(cell int, speed float64) func(p []byte) {
	return func(p []byte) { binary.BigEndian.PutUint16(p[0x2110+2*cell:], uint16(speed*4)) }
}

func flip(addr int) func(p []byte) { return func(p []byte) { p[addr] ^= 0x10 } }

func edits(fns ...func(p []byte)) func(p []byte) {
	return func(p []byte) {
		for _, fn := range fns {
			fn(p)
		}
	}
}

// withoutSection returns the TOML of testdata/small.toml without its [[name]] sections.
func withoutSection(t testing.TB, toml, name string) string {
	var out []string
	skipping := false
	for line := range strings.Lines(toml) {
		if strings.HasPrefix(line, "[") {
			skipping = strings.TrimSpace(line) == "[["+name+"]]"
		}
		if !skipping {
			out = append(out, line)
		}
	}
	shorter := strings.Join(out, "")
	require.NotEqual(t, toml, shorter)
	return shorter
}
