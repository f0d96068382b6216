package checksum_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// memory holds bytes from an address on.
type memory struct {
	base uint64
	data []byte
}

var errGap = errors.New("no byte there")

func (m memory) ReadAddr(p []byte, addr uint64) (int, error) {
	if addr-m.base >= uint64(len(m.data)) {
		return 0, errGap
	}
	n := copy(p, m.data[addr-m.base:])
	if n < len(p) {
		return n, errGap
	}
	return n, nil
}

type plainRange struct{ Start, Size uint64 }

type taggedRange struct {
	Start uint64 `json:"start"`
	Size  uint64 `json:"size"`
}

func TestOver(t *testing.T) {
	m := memory{0x1000, randomData(rand.New(rand.NewPCG(5, 6)), 300_000)}
	a := mustLookup(t, "CRC-32")
	want := a.Checksum(append(append([]byte(nil), m.data[290_000:]...), m.data[:280_001]...))
	got, err := checksum.Over(a, m, plainRange{0x1000 + 290_000, 10_000}, plainRange{0x1000, 280_001})
	require.NoError(t, err)
	assert.Equal(t, want, got, "ranges count in the order given")
	got, err = checksum.Over(a, m, taggedRange{0x1000 + 290_000, 10_000}, taggedRange{0, 0}, taggedRange{0x1000, 280_001})
	require.NoError(t, err)
	assert.Equal(t, want, got)
	got, err = checksum.Over[plainRange](a, m)
	require.NoError(t, err)
	assert.Equal(t, a.Checksum(nil), got)
}

func TestOverAtTheTopOfTheAddressSpace(t *testing.T) {
	m := memory{math.MaxUint64 - 8, []byte("123456789")}
	a := mustLookup(t, "CRC-32")
	got, err := checksum.Over(a, m, plainRange{math.MaxUint64 - 8, 9})
	require.NoError(t, err)
	assert.Equal(t, a.Check(), got)
	_, err = checksum.Over(a, m, plainRange{math.MaxUint64 - 8, 10})
	assert.ErrorContains(t, err, "CRC-32/ISO-HDLC: range 0xFFFFFFFFFFFFFFF7+0xA runs past the top of the address space")
}

// lazyReader reads less than asked for and says nothing.
type lazyReader struct{}

func (lazyReader) ReadAddr(p []byte, addr uint64) (int, error) { return len(p) / 2, nil }

func TestOverReportsMissingBytes(t *testing.T) {
	a := mustLookup(t, "sum-8/u8")
	m := memory{0x1000, make([]byte, 100)}
	_, err := checksum.Over(a, m, plainRange{0x1000, 101})
	assert.ErrorIs(t, err, errGap)
	assert.ErrorContains(t, err, "sum-8/u8: range 0x1000+0x65: ")
	_, err = checksum.Over(a, m, plainRange{0, 1 << 60}) // a size that no memory holds
	assert.ErrorIs(t, err, errGap)
	_, err = checksum.Over(a, lazyReader{}, plainRange{0x10, 8})
	assert.ErrorContains(t, err, "4 of 8 bytes read at 0x10")
}

func ExampleOver() {
	m := memory{0x8000, []byte("12345----6789")}
	crc, err := checksum.Lookup("CRC-32/ISO-HDLC")
	if err != nil {
		fmt.Println(err)
		return
	}
	type addresses struct{ Start, Size uint64 } // or image.Range
	v, err := checksum.Over(crc, m, addresses{0x8000, 5}, addresses{0x8009, 4})
	fmt.Println(v, v == crc.Check(), err)
	// Output: 0xCBF43926 true <nil>
}
