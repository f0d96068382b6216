package image_test

import (
	"bytes"
	"fmt"
	"log"
	"os"
	"strings"

	"example.com/calproof/image"
)

// Open a file, whatever its format, and look at what it holds.
func ExampleOpen() {
	im, err := image.Open("testdata/assorted.srec", image.Options{})
	if err != nil {
		log.Fatal(err)
	}
	defer im.Close()
	fmt.Println(im.Format(), im.Size(), "bytes")
	for _, r := range im.Segments() {
		fmt.Println(r)
	}
	start, _ := im.StartAddress()
	fmt.Printf("starts at 0x%X\n", start)
	// Output:
	// srecord 39 bytes
	// 0x820-0x832
	// 0x7AF0-0x7AFF
	// 0xFEDC-0xFEDF
	// starts at 0x3C
}

// All mistakes of a file come in one error, each with its place.
func ExampleNew() {
	file := ":0B0010006164647265737320676170A8\n:04FEDC00210080CFB2\n:0C0020006164647265737320676170A7\n"
	_, err := image.New(strings.NewReader(file), int64(len(file)), image.Options{})
	fmt.Println(err)
	// Output:
	// line 1:32: intelhex: bad checksum A8; the bytes call for A7
	// line 3:2: intelhex: bad length: the record says 12 data bytes, which makes 35 characters, but has 33
	// line 4: intelhex: the file ends without an end record (:00000001FF); it was cut short
}

// Blocks walks any stretch of an image without copying it whole.
func ExampleImage_Blocks() {
	im, err := image.FromSegments(image.Segment{Start: 0x70000, Data: []byte("calibration")})
	if err != nil {
		log.Fatal(err)
	}
	sum := byte(0)
	err = im.Blocks(im.Bounds(), func(addr uint64, block []byte) error {
		for _, b := range block {
			sum += b
		}
		return nil
	})
	fmt.Printf("0x%02X %v\n", sum, err)
	// Output: 0x88 <nil>
}

// Convert an image to S-records with a header.
func ExampleWriteSRecord() {
	im, err := image.FromSegments(image.Segment{Start: 0x1000, Data: []byte("some data\x00")})
	if err != nil {
		log.Fatal(err)
	}
	header := "HDR"
	if err := image.WriteSRecord(os.Stdout, im, image.SRecordOptions{Header: &header, Count: true}); err != nil {
		log.Fatal(err)
	}
	// Output:
	// S00600004844521B
	// S10D1000736F6D6520646174610074
	// S5030001FB
	// S9030000FC
}

// Two chips, one with the even and one with the odd bytes of a 16-bit bus.
func ExampleJoin() {
	even, err := image.FromSegments(image.Segment{Start: 0, Data: []byte("so roe")})
	if err != nil {
		log.Fatal(err)
	}
	odd, err := image.FromSegments(image.Segment{Start: 0, Data: []byte("nwgomr")})
	if err != nil {
		log.Fatal(err)
	}
	im, err := image.Join(0, 1, even, odd)
	if err != nil {
		log.Fatal(err)
	}
	var out bytes.Buffer
	if err := image.WriteRaw(&out, im, image.RawOptions{}); err != nil {
		log.Fatal(err)
	}
	fmt.Println(out.String())
	// Output: snow groomer
}

// Ranges are written as data sheets print them, or with a size.
func ExampleParseRange() {
	for _, s := range []string{"0x70000-0x7FFFF", "0x70000+0x10000"} {
		r, err := image.ParseRange(s)
		fmt.Println(r, r.Size, err)
	}
	// Output:
	// 0x70000-0x7FFFF 65536 <nil>
	// 0x70000-0x7FFFF 65536 <nil>
}
