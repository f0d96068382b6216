package readcheck_test

import (
	"fmt"
	"log"
	"math/rand/v2"

	"example.com/calproof/image"
	"example.com/calproof/image/readcheck"
)

// memory returns 16 KiB that repeat nothing.
func memory() []byte {
	r := rand.New(rand.NewPCG(1, 2))
	data := make([]byte, 16<<10)
	for i := range data {
		data[i] = byte(r.IntN(200))
	}
	return data
}

func ExampleExamine() {
	data := memory()
	for i := range data {
		data[i] = data[i&^0x400] // address line 10 is stuck at 0
	}
	im, err := image.FromSegments(image.Segment{Data: data})
	if err != nil {
		log.Fatal(err)
	}
	rep, err := readcheck.Examine(nil, im)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(rep.Verdict, rep.Findings[0].Code)
	// Output: fail address-line-stuck
}

func ExampleAgree() {
	first, second := memory(), memory()
	second[0x123] &^= 0x0F
	var reads []*image.Image
	for _, data := range [][]byte{first, second} {
		im, err := image.FromSegments(image.Segment{Data: data})
		if err != nil {
			log.Fatal(err)
		}
		reads = append(reads, im)
	}
	ag, err := readcheck.Agree(nil, reads...)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(ag.Verdict, ag.Differ, ag.Ranges)
	// Output: unproven 1 [0x123-0x123]
}
