package checksum_test

import (
	"encoding/binary"
	"fmt"
	"hash/adler32"
	"hash/crc32"
	"hash/crc64"
	"strings"
	"testing"

	"example.com/calproof/checksum"
)

// sink keeps the compiler from leaving work out.
var sink uint64

// readLoop is the yardstick: it reads every byte once and does as little as
// possible with it.
func readLoop(data []byte) {
	var a, b, c, d uint64
	for ; len(data) >= 32; data = data[32:] {
		a += binary.LittleEndian.Uint64(data)
		b += binary.LittleEndian.Uint64(data[8:])
		c += binary.LittleEndian.Uint64(data[16:])
		d += binary.LittleEndian.Uint64(data[24:])
	}
	sink += a + b + c + d
}

func size(n int) string {
	switch {
	case n >= 1<<20:
		return fmt.Sprintf("size=%dMiB", n>>20)
	case n >= 1<<10:
		return fmt.Sprintf("size=%dKiB", n>>10)
	}
	return fmt.Sprintf("size=%dB", n)
}

var benchSizes = []int{64, 256, 4 << 10, 64 << 10, 1 << 20, 64 << 20}

// BenchmarkChecksum runs algorithms of every kind side by side with the
// standard library and with a plain read loop.
func BenchmarkChecksum(b *testing.B) {
	data := make([]byte, benchSizes[len(benchSizes)-1])
	for i := range data {
		data[i] = byte(i * i >> 3)
	}
	castagnoli, iso := crc32.MakeTable(crc32.Castagnoli), crc64.MakeTable(crc64.ISO)
	type subject struct {
		name string
		run  func([]byte)
	}
	subjects := []subject{
		{"read-loop", readLoop},
		{"hash/crc32-IEEE", func(p []byte) { sink += uint64(crc32.ChecksumIEEE(p)) }},
		{"hash/crc32-Castagnoli", func(p []byte) { sink += uint64(crc32.Checksum(p, castagnoli)) }},
		{"hash/crc64-ISO", func(p []byte) { sink += crc64.Checksum(p, iso) }},
		{"hash/adler32", func(p []byte) { sink += uint64(adler32.Checksum(p)) }},
	}
	for _, name := range []string{
		"CRC-3/GSM", "CRC-8/SAE-J1850", "CRC-16/ARC", "CRC-16/IBM-3740", "CRC-24/OPENPGP", "CRC-32/ISO-HDLC",
		"CRC-32/ISCSI", "CRC-32/BZIP2", "CRC-64/XZ", "CRC-64/ECMA-182", "CRC-82/DARC",
		"sum-8/u8", "sum-16/u16be", "sum-32/u32le", "sum-64/u64le", "xor-8", "internet-checksum",
		"fletcher-16", "fletcher-32", "fletcher-64", "adler-32", "bsd-sum", "sysv-sum", "posix-cksum",
	} {
		a := mustLookup(b, name)
		subjects = append(subjects, subject{name, func(p []byte) { v, _ := a.Checksum(p).Uint64(); sink += v }})
	}
	for _, s := range subjects {
		for _, n := range benchSizes {
			b.Run("algorithm="+strings.ReplaceAll(s.name, "/", "_")+"/"+size(n), func(b *testing.B) {
				b.SetBytes(int64(n))
				for b.Loop() {
					s.run(data[:n])
				}
			})
		}
	}
}

// BenchmarkParts measures what does not read the message.
func BenchmarkParts(b *testing.B) {
	for _, name := range []string{"CRC-16/XMODEM", "CRC-32/ISO-HDLC", "CRC-64/XZ", "CRC-82/DARC", "adler-32", "internet-checksum"} {
		a := mustLookup(b, name)
		x, y := a.Checksum([]byte("first")), a.Checksum([]byte("second"))
		for _, job := range []struct {
			name string
			run  func() (checksum.Value, error)
		}{
			{"combine", func() (checksum.Value, error) { return a.Combine(x, y, 1<<20) }},
			{"run", func() (checksum.Value, error) { return a.AppendRun(x, 0xFF, 1<<20) }},
			{"patch", func() (checksum.Value, error) { return a.Patched(x, 1<<20, 0, []byte("12345678"), []byte("87654321")) }},
		} {
			b.Run("algorithm="+strings.ReplaceAll(name, "/", "_")+"/job="+job.name, func(b *testing.B) {
				for b.Loop() {
					v, err := job.run()
					if err != nil {
						b.Fatal(err)
					}
					u, _ := v.Uint64()
					sink += u
				}
			})
		}
	}
}

// BenchmarkVectors shows what the assembly for sums is worth.
func BenchmarkVectors(b *testing.B) {
	data := make([]byte, 64<<10)
	for _, name := range []string{"sum-16/u16be", "adler-32"} {
		a := mustLookup(b, name)
		bench := func(vectors string) {
			b.Run("algorithm="+strings.ReplaceAll(name, "/", "_")+"/vectors="+vectors, func(b *testing.B) {
				b.SetBytes(int64(len(data)))
				for b.Loop() {
					v, _ := a.Checksum(data).Uint64()
					sink += v
				}
			})
		}
		bench("yes")
		checksum.WithoutVectors(func() { bench("no") })
	}
}
