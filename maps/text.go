package maps

import (
	"fmt"
	"strings"

	"example.com/calproof/image"
)

// rangesText lists ranges for a sentence, the first few of many.
func rangesText(ranges []image.Range) string {
	const shown = 4
	var parts []string
	for i, r := range ranges {
		if i == shown {
			return fmt.Sprintf("%s and %d more", strings.Join(parts, ", "), len(ranges)-shown)
		}
		parts = append(parts, r.String())
	}
	return strings.Join(parts, ", ")
}

// plural gives "1 byte", "2 bytes".
func plural(n uint64, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}
