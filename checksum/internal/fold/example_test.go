package fold_test

import (
	"fmt"

	"example.com/calproof/checksum/internal/fold"
)

// The published check value of CRC-16/IBM-3740 (not reflected, left-aligned) is
// 29b1, that of CRC-32/ISO-HDLC (reflected, right-aligned) cbf43926.
func ExamplePoly_Update() {
	crc16 := fold.New(0x1021<<48, false)
	fmt.Printf("%04x\n", crc16.Update(0xffff<<48, []byte("123456789"))>>48)

	crc32 := fold.New(0x04c11db7<<32, true)
	a := crc32.Update(0xffffffff, []byte("1234"))
	fmt.Printf("%08x\n", crc32.Update(a, []byte("56789"))^0xffffffff)

	// Output:
	// 29b1
	// cbf43926
}

// The register of two pieces in a row, from the registers of each.
func ExamplePoly_Shift() {
	crc32 := fold.New(0x04c11db7<<32, true)
	a := crc32.Update(0xffffffff, []byte("1234"))
	b := crc32.Update(0, []byte("56789"))
	fmt.Printf("%08x\n", crc32.Shift(a, 5)^b^0xffffffff)
	// Output: cbf43926
}

// One byte of a large image changes: the register changes by the difference,
// carried over the bytes that follow.
func ExamplePoly_Shift_patch() {
	crc := fold.New(0x04c11db7<<32, true)
	image := make([]byte, 512<<10)
	before := crc.Update(0, image)

	change := crc.Update(0, []byte{image[0x1000] ^ 0x5a})
	image[0x1000] = 0x5a
	after := before ^ crc.Shift(change, uint64(len(image)-0x1001))
	fmt.Println(after == crc.Update(0, image))
	// Output: true
}
