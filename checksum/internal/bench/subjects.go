package main

import (
	"encoding/binary"
	"fmt"
	"hash/adler32"
	"hash/crc32"
	"hash/crc64"

	"example.com/calproof/checksum"
	"example.com/calproof/checksum/internal/fold"
	"github.com/sigurn/crc16"
	"github.com/sigurn/crc8"
	"github.com/snksoft/crc"
)

// subject is something that reads a message. Subjects of one kind are shown
// together.
type subject struct {
	kind, name string
	run        func(data []byte) uint64

	same string // the algorithm of package checksum that gives the same values; "" if there is none to compare
}

const (
	kindYardstick = "yardstick"
	kindStandard  = "Go standard library"
	kindPeer      = "general-purpose CRC modules"
	kindCRC       = "package checksum, CRCs"
	kindEngine    = "CRC engines, one by one"
	kindSum       = "package checksum, sums"
)

// readLoop is the yardstick: it reads all words and XORs them, about as fast
// as plain Go gets bytes from memory.
func readLoop(data []byte) uint64 {
	var a, b, c, d, e, f, g, h uint64
	for ; len(data) >= 64; data = data[64:] {
		a ^= binary.LittleEndian.Uint64(data)
		b ^= binary.LittleEndian.Uint64(data[8:])
		c ^= binary.LittleEndian.Uint64(data[16:])
		d ^= binary.LittleEndian.Uint64(data[24:])
		e ^= binary.LittleEndian.Uint64(data[32:])
		f ^= binary.LittleEndian.Uint64(data[40:])
		g ^= binary.LittleEndian.Uint64(data[48:])
		h ^= binary.LittleEndian.Uint64(data[56:])
	}
	return a ^ b ^ c ^ d ^ e ^ f ^ g ^ h
}

// subjects returns all that is compared, the yardstick first and hash/crc32
// IEEE second.
func subjects() ([]subject, error) {
	castagnoli, ecma := crc32.MakeTable(crc32.Castagnoli), crc64.MakeTable(crc64.ECMA)
	snk16 := crc.NewTable(crc.XMODEM)
	snk32 := crc.NewTable(crc.CRC32)
	snk64 := crc.NewTable(crc.CRC64ECMA)
	sig8 := crc8.MakeTable(crc8.CRC8)
	sig16 := crc16.MakeTable(crc16.CRC16_XMODEM)
	list := []subject{
		{kindYardstick, "read loop", readLoop, ""},
		{kindStandard, "hash/crc32 IEEE", func(p []byte) uint64 { return uint64(crc32.ChecksumIEEE(p)) }, "CRC-32"},
		{kindStandard, "hash/crc32 Castagnoli", func(p []byte) uint64 { return uint64(crc32.Checksum(p, castagnoli)) }, "CRC-32C"},
		{kindStandard, "hash/crc64 ECMA", func(p []byte) uint64 { return crc64.Checksum(p, ecma) }, "CRC-64/XZ"},
		{kindStandard, "hash/adler32", func(p []byte) uint64 { return uint64(adler32.Checksum(p)) }, "adler-32"},
		{kindPeer, "sigurn/crc8, CRC-8/SMBUS", func(p []byte) uint64 { return uint64(crc8.Checksum(p, sig8)) }, "CRC-8/SMBUS"},
		{kindPeer, "sigurn/crc16, CRC-16/XMODEM", func(p []byte) uint64 { return uint64(crc16.Checksum(p, sig16)) }, "CRC-16/XMODEM"},
		{kindPeer, "snksoft/crc, CRC-16/XMODEM", snk16.CalculateCRC, "CRC-16/XMODEM"},
		{kindPeer, "snksoft/crc, CRC-32/ISO-HDLC", snk32.CalculateCRC, "CRC-32"},
		{kindPeer, "snksoft/crc, CRC-64/XZ", snk64.CalculateCRC, "CRC-64/XZ"},
	}
	for _, names := range []struct {
		kind  string
		names []string
	}{
		{kindCRC, []string{
			"CRC-3/GSM", "CRC-8/SAE-J1850", "CRC-16/XMODEM", "CRC-16/ARC", "CRC-24/OPENPGP", "CRC-32/ISO-HDLC", "CRC-32/ISCSI",
			"CRC-32/BZIP2", "CRC-40/GSM", "CRC-64/XZ", "CRC-64/ECMA-182", "CRC-12/UMTS", "CRC-82/DARC",
		}},
		{kindSum, []string{
			"sum-8/u8", "sum-16/u16be", "sum-32/u32le", "sum-64/u64le", "xor-8/u8", "internet-checksum",
			"fletcher-16", "fletcher-32", "fletcher-64", "adler-32", "bsd-sum", "sysv-sum",
		}},
	} {
		for _, name := range names.names {
			a, err := checksum.Lookup(name)
			if err != nil {
				return nil, err
			}
			list = append(list, subject{names.kind, name, valueOf(a), name})
		}
	}
	for _, engine := range fold.Engines() {
		for _, reflected := range []bool{false, true} {
			p, err := fold.NewEngine(0x42F0E1EBA9EA3693, reflected, engine)
			if err != nil {
				return nil, err
			}
			order := map[bool]string{false: "not reflected", true: "reflected"}[reflected]
			list = append(list, subject{kindEngine, engine + ", " + order, func(data []byte) uint64 { return p.Update(0, data) }, ""})
		}
	}
	return list, nil
}

func valueOf(a checksum.Algorithm) func([]byte) uint64 {
	return func(data []byte) uint64 {
		v, _ := a.Checksum(data).Uint64()
		return v
	}
}

// narrowCRCs returns all catalogue CRCs of up to 64 bits.
func narrowCRCs() []subject {
	var list []subject
	for _, a := range checksum.All() {
		if a.Family() == checksum.FamilyCRC && a.Width() <= 64 {
			list = append(list, subject{kindCRC, a.Name(), valueOf(a), a.Name()})
		}
	}
	return list
}

// sizes are the lengths of the messages, in bytes.
var sizes = []int{64, 256, 4 << 10, 64 << 10, 1 << 20, 64 << 20}

func sizeName(n int) string {
	switch {
	case n >= 1<<20:
		return fmt.Sprintf("%d MiB", n>>20)
	case n >= 1<<10:
		return fmt.Sprintf("%d KiB", n>>10)
	}
	return fmt.Sprintf("%d B", n)
}

// message returns n bytes that no loop can take a shortcut with.
func message(n int) []byte {
	data := make([]byte, n)
	x := uint64(0x9E3779B97F4A7C15)
	for i := range data {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		data[i] = byte(x)
	}
	return data
}
