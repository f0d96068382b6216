//go:build linux || darwin

package fold

import (
	"math/rand/v2"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// Data at the very end and at the very start of readable memory, between two
// pages that fault: a kernel that reads one byte outside crashes the test.
func TestNoByteOutside(t *testing.T) {
	page := os.Getpagesize()
	size := (longest/page + 1) * page
	mem, err := unix.Mmap(-1, 0, size+2*page, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_ANON|unix.MAP_PRIVATE)
	require.NoError(t, err)
	defer func() { require.NoError(t, unix.Munmap(mem)) }()
	r := rand.New(rand.NewPCG(11, 6))
	inside := mem[page : page+size]
	copy(inside, random(r, size))
	require.NoError(t, unix.Mprotect(mem[:page], unix.PROT_NONE))
	require.NoError(t, unix.Mprotect(mem[page+size:], unix.PROT_NONE))

	everyEngine(t, func(t *testing.T, engine string, reflected bool) {
		p := forced(t, 0x42f0e1eba9ea3693, reflected, engine)
		for n, want := range prefixes(p.poly, reflected, 1, inside[:longest]) {
			require.Equal(t, want, p.Update(1, inside[:n:n]), "%d bytes at the start", n)
		}
		for n := range longest + 1 {
			end := inside[size-n:]
			copied := append([]byte(nil), end...)
			require.Equal(t, p.Update(1, copied), p.Update(1, end), "%d bytes at the end", n)
			if engine == CLMul512 && n >= 256 {
				require.Equal(t, p.Update(1, copied), p.updateStreams(1, end), "%d bytes at the end, two streams", n)
			}
		}
	})
}
