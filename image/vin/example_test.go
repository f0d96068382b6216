package vin_test

import (
	"fmt"

	"example.com/calproof/image/vin"
)

func ExampleCheck() {
	r, err := vin.Check("11111111111111111")
	fmt.Printf("%c %v %v\n", r.Computed, r.Agrees(), err)
	// Output: 1 true <nil>
}
