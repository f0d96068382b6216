package evidence_test

import (
	"fmt"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// What a program of its own found joins what the packages of calproof found,
// and one verdict comes of it.
func ExampleJudge() {
	findings := []evidence.Finding{
		{Code: "read-slow", Severity: evidence.Note, Message: "the read took 80 minutes, longer than the 75 of the map"},
		{Code: "fuse-bits-unread", Severity: evidence.Caution, Message: "the fuse bits were not read; read them before writing",
			Ranges: []image.Range{{Start: 0x7FFFC, Size: 4}}},
	}
	for _, f := range findings {
		fmt.Println(f)
	}
	fmt.Println(evidence.Judge(findings))
	// Output:
	// note: the read took 80 minutes, longer than the 75 of the map (read-slow)
	// caution: the fuse bits were not read; read them before writing (fuse-bits-unread)
	// unproven
}
