package imagetest

import (
	"bytes"
	"testing"

	"example.com/calproof/image"
)

// CountedFile is a file that counts how often each of its bytes is asked for.
type CountedFile struct {
	Data  []byte
	asked []int
}

// ReadAt is that of [io.ReaderAt].
func (f *CountedFile) ReadAt(p []byte, off int64) (int, error) {
	n, err := bytes.NewReader(f.Data).ReadAt(p, off)
	if f.asked == nil {
		f.Reset()
	}
	for i := range n {
		f.asked[int(off)+i]++
	}
	return n, err
}

// Reset begins to count anew.
func (f *CountedFile) Reset() { f.asked = make([]int, len(f.Data)) }

// Once demands that each byte was asked for once; those of again, which are
// read for another purpose too, at least once.
func (f *CountedFile) Once(t testing.TB, again ...image.Range) {
	t.Helper()
	if f.asked == nil { // nothing was read
		f.Reset()
	}
	again = image.MergeRanges(again)
	for addr, n := range f.asked {
		for len(again) > 0 && again[0].Last() < uint64(addr) {
			again = again[1:]
		}
		if apart := len(again) > 0 && again[0].Contains(uint64(addr)); n != 1 && (!apart || n == 0) {
			t.Fatalf("the byte at 0x%X is asked for %d times", addr, n)
		}
	}
}
