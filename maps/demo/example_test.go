package demo_test

import (
	"fmt"

	"example.com/calproof/maps/demo"
)

// The scenario is eight files; their names are what the documentation and the
// scripts call them.
func ExampleFiles() {
	files, err := demo.Files()
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range files[1:] {
		fmt.Printf("%s: %d bytes\n", f.Name, len(f.Data))
	}
	// Output:
	// backup.bin: 524288 bytes
	// second-read.bin: 524288 bytes
	// short-read.bin: 524288 bytes
	// stuck-line-read.bin: 524288 bytes
	// edited.bin: 524288 bytes
	// edited-stale.bin: 524288 bytes
	// edited-boot.bin: 524288 bytes
}
