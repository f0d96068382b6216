package checksum

import (
	"fmt"
)

// AddressReader reads bytes at addresses; *image.Image is one. ReadAddr fills
// p with the bytes from addr on, or gives an error.
type AddressReader interface {
	ReadAddr(p []byte, addr uint64) (int, error)
}

// AddressRange is any struct of a start address and a size in bytes, such as
// image.Range. (Go counts field tags into a type, hence the second form.)
type AddressRange interface {
	~struct{ Start, Size uint64 } | ~struct {
		Start uint64 `json:"start"`
		Size  uint64 `json:"size"`
	}
}

// overBlock is the number of bytes read at a time: small enough to stay in
// the cache until they are summed.
const overBlock = 128 << 10

// Over computes a over several ranges of src, in the order given. A range may
// reach the top of the 64-bit address space but not beyond.
func Over[R AddressRange](a Algorithm, src AddressReader, ranges ...R) (Value, error) {
	h := a.New()
	for _, r := range ranges {
		r := struct{ Start, Size uint64 }(r)
		if err := feed(h, src, r.Start, r.Size); err != nil {
			return Value{}, a.wrap(err)
		}
	}
	return h.Value(), nil
}

// feed writes size bytes of src from address start on to h.
func feed(h Hash, src AddressReader, start, size uint64) error {
	if size > 0 && start+(size-1) < start {
		return fmt.Errorf("range 0x%X+0x%X runs past the top of the address space", start, size)
	}
	buf := make([]byte, min(size, overBlock))
	for at := uint64(0); at < size; {
		block := buf[:min(size-at, overBlock)]
		n, err := src.ReadAddr(block, start+at)
		if n < len(block) {
			if err == nil {
				err = fmt.Errorf("%d of %d bytes read at 0x%X", n, len(block), start+at)
			}
			return fmt.Errorf("range 0x%X+0x%X: %w", start, size, err)
		}
		h.Write(block)
		at += uint64(n)
	}
	return nil
}
