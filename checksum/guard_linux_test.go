package checksum_test

import (
	"math/rand/v2"
	"syscall"
	"testing"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/require"
)

// guarded returns size bytes, a multiple of the page size, between pages that
// fault when they are read.
func guarded(t *testing.T, size int) []byte {
	t.Helper()
	page := syscall.Getpagesize()
	m, err := syscall.Mmap(-1, 0, size+2*page, syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_ANON|syscall.MAP_PRIVATE)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, syscall.Munmap(m)) })
	require.NoError(t, syscall.Mprotect(m[:page], syscall.PROT_NONE))
	require.NoError(t, syscall.Mprotect(m[page+size:], syscall.PROT_NONE))
	return m[page : page+size]
}

// TestNothingBeyondTheBufferIsRead places messages right at either guard: a
// read beyond them ends the test program.
func TestNothingBeyondTheBufferIsRead(t *testing.T) {
	memory := guarded(t, 4*syscall.Getpagesize())
	copy(memory, randomData(rand.New(rand.NewPCG(15, 16)), len(memory)))
	var lengths []int
	for n := range 700 {
		lengths = append(lengths, n)
	}
	for n := 700; n <= len(memory); n += 61 {
		lengths = append(lengths, n)
	}
	var list []checksum.Algorithm
	for _, name := range []string{"CRC-5/USB", "CRC-16/XMODEM", "CRC-32", "CRC-64/ECMA-182", "CRC-64/XZ", "CRC-82/DARC"} {
		for _, engine := range checksum.Engines() {
			list = append(list, checksum.WithEngine(mustLookup(t, name), engine))
		}
	}
	for name := range sumSubjects(t) {
		list = append(list, mustLookup(t, name))
	}
	for _, a := range list {
		check := func() {
			for _, n := range lengths {
				atEnd, atStart := memory[len(memory)-n:], memory[:n]
				if a.Checksum(atEnd) != a.Checksum(append([]byte(nil), atEnd...)) ||
					a.Checksum(atStart) != a.Checksum(append([]byte(nil), atStart...)) {
					t.Fatalf("%s, %d bytes: the place in memory changes the checksum", a.Name(), n)
				}
			}
		}
		check()
		checksum.WithoutVectors(check)
	}
}
