package checksum_test

import (
	"fmt"
	"hash"
	"hash/adler32"
	"hash/crc32"
	"hash/crc64"
	"math/rand/v2"
	"strings"
	"testing"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// This file compares with programs that nobody here wrote.

// samples are random messages around the lengths at which engines change
// their ways.
func samples() [][]byte {
	rng := rand.New(rand.NewPCG(7, 8))
	var list [][]byte
	for _, n := range []int{0, 1, 9, 15, 16, 17, 63, 64, 65, 127, 128, 129, 255, 256, 1000, 4095, 4096, 4097, 70_000, 1_000_003} {
		list = append(list, randomData(rng, n))
	}
	return list
}

func TestAgainstStandardLibrary(t *testing.T) {
	for name, peer := range map[string]hash.Hash{
		"CRC-32/ISO-HDLC": crc32.NewIEEE(),
		"CRC-32/ISCSI":    crc32.New(crc32.MakeTable(crc32.Castagnoli)),
		"CRC-64/GO-ISO":   crc64.New(crc64.MakeTable(crc64.ISO)),
		"CRC-64/GO-ECMA":  crc64.New(crc64.MakeTable(crc64.ECMA)),
		"adler-32":        adler32.New(),
	} {
		a := mustLookup(t, name)
		for _, data := range samples() {
			peer.Reset()
			peer.Write(data)
			assert.Equal(t, peer.Sum(nil), a.Checksum(data).Bytes(), "%s over %d bytes", name, len(data))
		}
	}
}

// Koopman's polynomial of hash/crc32 is in no catalogue row.
func TestFreeParametersAgainstStandardLibrary(t *testing.T) {
	ones := checksum.NewValue(32, 0xFFFFFFFF)
	a, err := checksum.NewCRC(checksum.CRCParams{
		Name: "Koopman", Width: 32, Poly: checksum.NewValue(32, 0x741B8CD7),
		Init: ones, RefIn: true, RefOut: true, XorOut: ones,
	})
	require.NoError(t, err)
	table := crc32.MakeTable(crc32.Koopman)
	for _, data := range samples() {
		assert.Equal(t, checksum.NewValue(32, uint64(crc32.Checksum(data, table))), a.Checksum(data))
	}
}

func TestAgainstCoreutils(t *testing.T) {
	for name, command := range map[string][]string{
		"bsd-sum":     {"sum", "-r"},
		"sysv-sum":    {"sum", "-s"},
		"posix-cksum": {"cksum"},
		"MD5":         {"md5sum"},
		"SHA-1":       {"sha1sum"},
		"SHA-256":     {"sha256sum"},
		"SHA-512":     {"sha512sum"},
	} {
		t.Run(name, func(t *testing.T) {
			needTool(t, command[0])
			a := mustLookup(t, name)
			for _, data := range samples() {
				out := runTool(t, data, command[0], command[1:]...)
				assert.Equal(t, parse(t, a.Width(), strings.Fields(out)[0]), a.Checksum(data), "%d bytes", len(data))
			}
		})
	}
}

func TestAgainstZlib(t *testing.T) {
	needTool(t, python, "zlib")
	script := "import sys,zlib; d=sys.stdin.buffer.read(); print(zlib.crc32(d), zlib.adler32(d))"
	for _, data := range samples() {
		out := strings.Fields(runTool(t, data, python, "-c", script))
		assert.Equal(t, parse(t, 32, out[0]), mustLookup(t, "CRC-32").Checksum(data), "%d bytes", len(data))
		assert.Equal(t, parse(t, 32, out[1]), mustLookup(t, "adler-32").Checksum(data), "%d bytes", len(data))
	}
}

// crcmod does whole bytes only, up to 64 bits, with one reflection.
func TestAgainstCrcmod(t *testing.T) {
	needTool(t, python, "crcmod")
	const script = `
import sys, crcmod
data = sys.stdin.buffer.read()
for line in sys.argv[1:]:
    width, poly, init, rev, xor = (int(f, 0) for f in line.split(","))
    if rev: init = int(format(init, "0%db" % width)[::-1], 2)
    crc = crcmod.mkCrcFun(1 << width | poly, initCrc=init ^ xor, rev=bool(rev), xorOut=xor)
    print(crc(data))
`
	var list []checksum.Algorithm
	args := []string{"-c", script}
	for _, a := range catalogue() {
		p := params(t, a)
		switch p.Width {
		case 8, 16, 24, 32, 64:
			rev := map[bool]int{true: 1}[p.RefIn]
			list = append(list, a)
			args = append(args, fmt.Sprintf("%d,%v,%v,%d,%v", p.Width, p.Poly, p.Init, rev, p.XorOut))
		}
	}
	require.GreaterOrEqual(t, len(list), 78)
	for _, data := range samples()[:18] {
		out := strings.Fields(runTool(t, data, python, args...))
		require.Len(t, out, len(list))
		for i, a := range list {
			assert.Equal(t, parse(t, a.Width(), out[i]), a.Checksum(data), "%s over %d bytes", a.Name(), len(data))
		}
	}
}
