package maps_test

import (
	"fmt"
	"log"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

const tinyMap = `
format = 1
[image]
size       = 0x20
byte_order = "big"

[[region]]
name  = "calibration"
range = "0x0-0x1F"
role  = "calibration"

[[checksum]]
name      = "calibration CRC"
algorithm = "CRC-16/IBM-3740"
cover     = ["0x0-0x8"]
stored    = { at = 0x1E }

[[table]]
name = "idle speed"
at   = 0x10
cell = { type = "u16", scale = 0.25, unit = "1/min", min = 500, max = 1600 }
x    = { values = [-20, 80], unit = "degC" }
`

// A map applied to an image: does its checksum agree, and what do its tables
// say? The CRC of "123456789" is published in the CRC catalogue as 0x29B1.
func Example() {
	m, err := maps.Parse("tiny.toml", []byte(tinyMap))
	if err != nil {
		log.Fatal(err)
	}
	memory := make([]byte, 0x20)
	copy(memory, "123456789")
	copy(memory[0x10:], []byte{0x12, 0xC0, 0x0C, 0x80, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x29, 0xB1})
	im, err := image.FromSegments(image.Segment{Data: memory})
	if err != nil {
		log.Fatal(err)
	}
	b, err := maps.Bind(m, im)
	if err != nil {
		log.Fatal(err)
	}
	for _, r := range b.Check() {
		fmt.Printf("%s: %s: %s\n", r.Verdict, r.Rule, r.Reason)
	}
	for _, t := range b.Tables() {
		for i, c := range t.Cells {
			fmt.Printf("%s at %v %s: %v %s\n", t.Name, t.X.Values[i], t.X.Unit, c.Value, t.Unit)
		}
	}
	// Output:
	// pass: calibration CRC: computed 0x29B1, and the field at 0x1E holds it
	// idle speed at -20 degC: 1200 1/min
	// idle speed at 80 degC: 800 1/min
}

// Every mistake of a map comes in one run, at its place.
func ExampleParse() {
	_, err := maps.Parse("groomer.toml", []byte(`format = 1
[image]
size       = 0x80000
byte_order = "big"

[[region]]
name  = "boot"
range = "0x0-0x80000"
role  = "bot"
`))
	fmt.Println(err)
	// Output:
	// groomer.toml:8:9: region[1].range: 0x0-0x80000 runs out of the image, which is 0x0-0x7FFFF
	// groomer.toml:9:9: region[1].role: unknown value "bot"; did you mean "boot"?; use one of boot, program, calibration, identity, adaptation, signature, unused
}

// After an edit, Seal computes the stored values anew, and Apply shows the
// image with them.
func ExampleBound_Seal() {
	m, err := maps.Parse("tiny.toml", []byte(tinyMap))
	if err != nil {
		log.Fatal(err)
	}
	memory := make([]byte, 0x20)
	copy(memory, "123456789")
	im, err := image.FromSegments(image.Segment{Data: memory})
	if err != nil {
		log.Fatal(err)
	}
	b, err := maps.Bind(m, im)
	if err != nil {
		log.Fatal(err)
	}
	patches, err := b.Seal()
	if err != nil {
		log.Fatal(err)
	}
	for _, p := range patches {
		fmt.Printf("%s at 0x%X: %X -> %X\n", p.Rule, p.Addr, p.Before, p.After)
	}
	sealed, err := b.Apply(patches)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(sealed.Check()[0].Verdict)
	// Output:
	// calibration CRC at 0x1E: 0000 -> 29B1
	// pass
}

// What will the checksum be if one byte changes? The CRC of "123406789" follows
// from that of "123456789" and the two bytes (Python's binascii.crc_hqx agrees).
func ExampleBound_Predict() {
	m, err := maps.Parse("tiny.toml", []byte(tinyMap))
	if err != nil {
		log.Fatal(err)
	}
	memory := make([]byte, 0x20)
	copy(memory, "123456789")
	im, err := image.FromSegments(image.Segment{Data: memory})
	if err != nil {
		log.Fatal(err)
	}
	b, err := maps.Bind(m, im)
	if err != nil {
		log.Fatal(err)
	}
	results := b.Check()
	predictions, err := b.Predict(results, []maps.Patch{{Addr: 4, After: []byte("0")}})
	if err != nil {
		log.Fatal(err)
	}
	for i, p := range predictions {
		if p.Known() {
			fmt.Printf("%s: now %s, then %s\n", p.Rule, results[i].Computed, p.Computed)
		}
	}
	// Output: calibration CRC: now 0x29B1, then 0x0AE6
}
