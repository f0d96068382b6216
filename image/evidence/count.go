package evidence

import "fmt"

// Count writes n with its noun: "1 byte", "12,345 bytes".
func Count(n uint64, noun string) string {
	if n != 1 {
		noun += "s"
	}
	return Thousands(n) + " " + noun
}

// Thousands writes n with a comma between groups of three digits.
func Thousands(n uint64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}
