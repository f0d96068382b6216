package fold

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"hash/crc64"
	"math/rand/v2"
	"testing"
)

var sink uint64

// readLoop is the yardstick: it reads all words and XORs them into eight
// accumulators, about as fast as plain Go gets bytes from memory.
func readLoop(p []byte) uint64 {
	var a, b, c, d, e, f, g, h uint64
	for len(p) >= 64 {
		a ^= binary.LittleEndian.Uint64(p)
		b ^= binary.LittleEndian.Uint64(p[8:])
		c ^= binary.LittleEndian.Uint64(p[16:])
		d ^= binary.LittleEndian.Uint64(p[24:])
		e ^= binary.LittleEndian.Uint64(p[32:])
		f ^= binary.LittleEndian.Uint64(p[40:])
		g ^= binary.LittleEndian.Uint64(p[48:])
		h ^= binary.LittleEndian.Uint64(p[56:])
		p = p[64:]
	}
	return a ^ b ^ c ^ d ^ e ^ f ^ g ^ h
}

// BenchmarkUpdate sets every engine beside the standard library and the read
// loop. GODEBUG=cpu.vpclmulqdq=off in the environment makes the standard library
// take its 128-bit path (that x/sys/cpu does not know the name, and says so, does
// no harm); ours are always named.
func BenchmarkUpdate(b *testing.B) {
	const largest = 64 << 20
	r := rand.New(rand.NewPCG(12, 6))
	buf := make([]byte, largest)
	for i := 0; i < len(buf); i += 8 {
		binary.LittleEndian.PutUint64(buf[i:], r.Uint64())
	}
	castagnoli, ecma := crc32.MakeTable(crc32.Castagnoli), crc64.MakeTable(crc64.ECMA)
	type peer struct {
		name string
		f    func([]byte) uint64
	}
	peers := []peer{
		{"read", readLoop},
		{"std-crc32-ieee", func(p []byte) uint64 { return uint64(crc32.ChecksumIEEE(p)) }},
		{"std-crc32-castagnoli", func(p []byte) uint64 { return uint64(crc32.Checksum(p, castagnoli)) }},
		{"std-crc64-ecma", func(p []byte) uint64 { return crc64.Checksum(p, ecma) }},
	}
	for _, engine := range Engines() {
		for _, reflected := range []bool{true, false} {
			name := engine + "-msb"
			if reflected {
				name = engine + "-reflected"
			}
			p := forced(b, 0x42f0e1eba9ea3693, reflected, engine)
			peers = append(peers, peer{name, func(d []byte) uint64 { return p.Update(0, d) }})
		}
	}
	for _, size := range []int{9, 64, 128, 250, 256, 1000, 4096, 65536, 1 << 20, largest} {
		for _, peer := range peers {
			b.Run(fmt.Sprintf("size=%d/by=%s", size, peer.name), func(b *testing.B) {
				b.SetBytes(int64(size))
				for b.Loop() {
					sink ^= peer.f(buf[:size])
				}
			})
		}
	}
}

func BenchmarkNew(b *testing.B) {
	for b.Loop() {
		sink ^= New(0x42f0e1eba9ea3693, true).poly
	}
}

func BenchmarkShift(b *testing.B) {
	for _, engine := range Engines() {
		p := forced(b, 0x42f0e1eba9ea3693, true, engine)
		b.Run("bytes=1GiB/by="+engine, func(b *testing.B) {
			for b.Loop() {
				sink ^= p.Shift(sink, 1<<30-1)
			}
		})
	}
}
