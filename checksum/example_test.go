package checksum_test

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"

	"example.com/calproof/checksum"
)

// The check value of CRC-16/XMODEM is published in the catalogue.
func ExampleLookup() {
	crc, err := checksum.Lookup("xmodem")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(crc.Name(), crc.Checksum([]byte("123456789")))
	fmt.Println(crc.Parameters())

	_, err = checksum.Lookup("crc16/xmodem")
	fmt.Println(err)
	// Output:
	// CRC-16/XMODEM 0x31C3
	// width=16 poly=0x1021 init=0x0000 refin=false refout=false xorout=0x0000
	// unknown algorithm "crc16/xmodem"; did you mean CRC-16/XMODEM?
}

// Several checksums of one stream, read once. The values for "abc" are those
// of FIPS 180-2, RFC 1321 and "sum -r" of GNU coreutils (16556).
func ExampleAlgorithm_New() {
	var hashes []checksum.Hash
	var writers []io.Writer
	names := []string{"SHA-256", "MD5", "bsd-sum"}
	for _, name := range names {
		a, err := checksum.Lookup(name)
		if err != nil {
			fmt.Println(err)
			return
		}
		h := a.New()
		hashes, writers = append(hashes, h), append(writers, h)
	}
	if _, err := io.Copy(io.MultiWriter(writers...), strings.NewReader("abc")); err != nil {
		fmt.Println(err)
		return
	}
	for i, h := range hashes {
		fmt.Println(names[i], h.Value())
	}
	// Output:
	// SHA-256 0xBA7816BF8F01CFEA414140DE5DAE2223B00361A396177A9CB410FF61F20015AD
	// MD5 0x900150983CD24FB0D6963F7D28E17F72
	// bsd-sum 0x40AC
}

// The CRC of the CAN bus, its parameters given freely: the check value of
// CRC-15/CAN in the catalogue proves them.
func ExampleNewCRC() {
	crc, err := checksum.NewCRC(checksum.CRCParams{
		Name: "bus", Width: 15,
		Poly: checksum.NewValue(15, 0x4599), Init: checksum.NewValue(15, 0), XorOut: checksum.NewValue(15, 0),
		Check: checksum.NewValue(15, 0x059E),
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(crc.Checksum([]byte("123456789")))
	// Output: 0x059E
}

// Two parts of "123456789", whose CRC-32 is published as 0xCBF43926.
func ExampleAlgorithm_Combine() {
	crc, err := checksum.Lookup("CRC-32")
	if err != nil {
		fmt.Println(err)
		return
	}
	first, second := crc.Checksum([]byte("1234")), crc.Checksum([]byte("56789"))
	fmt.Println(crc.Combine(first, second, 5))
	// Output: 0xCBF43926 <nil>
}

// Parts of a long message, each summed by a goroutine of its own.
func ExampleAlgorithm_Combine_parallel() {
	crc, err := checksum.Lookup("CRC-32")
	if err != nil {
		fmt.Println(err)
		return
	}
	message := bytes.Repeat([]byte("123456789"), 1<<20)
	parts := slices.Collect(slices.Chunk(message, len(message)/4+1))
	sums := make([]checksum.Value, len(parts))
	var wait sync.WaitGroup
	for i, part := range parts {
		wait.Go(func() { sums[i] = crc.Checksum(part) })
	}
	wait.Wait()
	whole := sums[0]
	for i, part := range parts[1:] {
		if whole, err = crc.Combine(whole, sums[i+1], uint64(len(part))); err != nil {
			fmt.Println(err)
			return
		}
	}
	fmt.Println(len(parts), whole == crc.Checksum(message))
	// Output: 4 true
}

// 32 bytes of ones, from the empty message: RFC 3720, appendix B.4, gives
// 0x62A8AB43.
func ExampleAlgorithm_AppendRun() {
	crc, err := checksum.Lookup("CRC-32C")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(crc.AppendRun(crc.Checksum(nil), 0xFF, 32))
	// Output: 0x62A8AB43 <nil>
}

// What becomes of the checksum of "12?456789" when the question mark gives
// way to a 3: the published check value.
func ExampleAlgorithm_Patched() {
	crc, err := checksum.Lookup("CRC-32")
	if err != nil {
		fmt.Println(err)
		return
	}
	old := crc.Checksum([]byte("12?456789"))
	fmt.Println(crc.Patched(old, 9, 2, []byte("?"), []byte("3")))
	// Output: 0xCBF43926 <nil>
}
