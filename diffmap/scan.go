package diffmap

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"

	"example.com/calproof/image"
)

const (
	blockSize = 128 << 10 // bytes read from each image at a time: both blocks fit a second-level cache
	pageSize  = 4 << 10   // bytes compared at once before looking closer
	wordSize  = 8
)

// scanImages calls emit for every run of differing bytes in r, in address
// order; a run may come in adjacent pieces. Both images must hold all of r.
func scanImages(a, b *image.Image, r image.Range, emit func(image.Range)) error {
	other := make([]byte, min(r.Size, blockSize))
	return a.Blocks(r, func(addr uint64, block []byte) error {
		for len(block) > 0 {
			n := min(len(block), len(other))
			if _, err := b.ReadAddr(other[:n], addr); err != nil {
				return err
			}
			scan(addr, block[:n], other[:n], emit)
			block, addr = block[n:], addr+uint64(n)
		}
		return nil
	})
}

// scan calls emit for every run of differing bytes of a and b, which have the
// same length and start at address addr.
func scan(addr uint64, a, b []byte, emit func(image.Range)) {
	for len(a) > 0 {
		n := min(len(a), pageSize)
		if !bytes.Equal(a[:n], b[:n]) {
			scanPage(addr, a[:n], b[:n], emit)
		}
		a, b, addr = a[n:], b[n:], addr+uint64(n)
	}
}

func scanPage(addr uint64, a, b []byte, emit func(image.Range)) {
	const none = -1
	run := none // index of the first byte of the open run
	end := func(i int) {
		if run != none {
			emit(image.Range{Start: addr + uint64(run), Size: uint64(i - run)})
			run = none
		}
	}
	byByte := func(from, to int) {
		for i := from; i < to; i++ {
			switch {
			case a[i] == b[i]:
				end(i)
			case run == none:
				run = i
			}
		}
	}
	i := 0
	for ; i+wordSize <= len(a); i += wordSize {
		// Byte order does not matter: only equality is asked.
		if binary.LittleEndian.Uint64(a[i:]) == binary.LittleEndian.Uint64(b[i:]) {
			end(i)
			continue
		}
		byByte(i, i+wordSize)
	}
	byByte(i, len(a))
	end(len(a))
}

// sameBytes reports whether both images hold r with the same bytes. Where both
// lack the same addresses of r, those count as the same.
func sameBytes(a, b *image.Image, r image.Range) (bool, error) {
	differs := false
	gapsA, gapsB := a.Gaps(r), b.Gaps(r)
	if !slices.Equal(gapsA, gapsB) {
		return false, nil
	}
	for _, part := range image.SubtractRanges([]image.Range{r}, gapsA) {
		err := scanImages(a, b, part, func(image.Range) { differs = true })
		if err != nil {
			return false, fmt.Errorf("compare %s: %w", part, err)
		}
	}
	return !differs, nil
}
