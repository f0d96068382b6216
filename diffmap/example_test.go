package diffmap_test

import (
	"bytes"
	"fmt"

	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// The map of a made-up controller with 64 bytes of memory.
const tiny = `format = 1
title  = "Winch controller, 64 bytes"

[image]
size       = 64
byte_order = "big"

[[region]]
name  = "program"
range = "0x00-0x1F"
role  = "program"

[[region]]
name  = "values"
range = "0x20-0x3F"
role  = "calibration"

[[checksum]]
name      = "sum of the values"
sum       = { width = 16, word = 1 }
cover     = ["0x20-0x3D"]
stored    = { at = 0x3E }

[[table]]
name = "rope speed limit"
at   = 0x24
cell = { type = "u16", scale = 0.01, unit = "m/s", min = 0.2, max = 1.5 }
`

// images returns a read and an edit of it: the limit goes from 0x0050 to
// 0x0064, which is 0.80 to 1.00 m/s, and the sum of the values from 0x50 to
// 0x64.
func images() (original, modified *image.Image) {
	read := make([]byte, 64)
	for i := range 0x20 {
		read[i] = byte(i + 1) // the program
	}
	read[0x25], read[0x3F] = 0x50, 0x50
	edited := bytes.Clone(read)
	edited[0x25], edited[0x3F] = 0x64, 0x64
	original, err := image.FromSegments(image.Segment{Data: read})
	if err != nil {
		panic(err)
	}
	modified, err = image.FromSegments(image.Segment{Data: edited})
	if err != nil {
		panic(err)
	}
	return original, modified
}

func ExampleCompare() {
	m, err := maps.Parse("winch.toml", []byte(tiny))
	if err != nil {
		fmt.Println(err)
		return
	}
	original, modified := images()
	diff, err := diffmap.Compare(original, modified, m, diffmap.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range diff.Changes {
		fmt.Printf("%v %v: %s -> %s\n", c.Range, c.Regions, c.Before, c.After)
	}
	for _, t := range diff.Tables {
		fmt.Printf("%s: %s -> %s (%+.2f)\n", t.After.Name,
			diffmap.FormatCell(t.Before, 0), diffmap.FormatCell(t.After, 0), *t.Deltas[0])
	}
	for _, c := range diff.Checksums {
		fmt.Printf("%s: %s %s -> %s %s\n", c.After.Rule, c.Before.Stored, c.Before.Verdict, c.After.Stored, c.After.Verdict)
	}
	// Output:
	// 0x25-0x25 [values]: 50 -> 64
	// 0x3F-0x3F [values]: 50 -> 64
	// rope speed limit: 0.80 m/s -> 1.00 m/s (+0.20)
	// sum of the values: 0x0050 pass -> 0x0064 pass
}

func ExampleGate() {
	m, err := maps.Parse("winch.toml", []byte(tiny))
	if err != nil {
		fmt.Println(err)
		return
	}
	before, after := images()
	original, _ := maps.Bind(m, before) // it gives an error only if there is no image
	modified, _ := maps.Bind(m, after)
	volts, latency := 13.1, 0.5
	gate, err := diffmap.Gate(diffmap.GateInput{
		Original: original, Modified: modified,
		Bench: diffmap.BenchFigures{SupplyVolts: &volts, AdapterLatencyMS: &latency},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	// One read is no proof of a backup, so nothing may be written yet.
	fmt.Println(gate.Verdict)
	for _, c := range gate.Conditions {
		fmt.Println(c.Verdict, c.Code)
	}
	// Output:
	// unproven
	// unproven original-proved
	// pass coverage-same
	// pass checksums-hold
	// pass edits-allowed
	// pass protected-untouched
	// pass tables-in-limits
	// pass bench-stated
	// unproven backup-restorable
}

func ExampleDiffText() {
	fmt.Print(diffmap.DiffText("before", "idle: 800\nlimit: 20\n", "after", "idle: 900\nlimit: 20\n"))
	// Output:
	// --- before
	// +++ after
	// @@ -1,2 +1,2 @@
	// -idle: 800
	// +idle: 900
	//  limit: 20
}
