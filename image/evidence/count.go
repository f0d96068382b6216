package evidence

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"example.com/calproof/image"
)

// Count writes n with its noun: "1 byte", "12,345 bytes".
func Count(n uint64, noun string) string {
	if n != 1 {
		noun += "s"
	}
	return Thousands(n) + " " + noun
}

// Thousands writes n with a comma between groups of three digits.
func Thousands(n uint64) string { return grouped(strconv.FormatUint(n, 10)) }

func grouped(digits string) string {
	for i := len(digits) - 3; i > 0; i -= 3 {
		digits = digits[:i] + "," + digits[i:]
	}
	return digits
}

// Sprintf is [fmt.Sprintf] for what people read: a plain %d writes an integer
// as [Thousands] does, and a plain %g a number without an exponent. Every finding is written with it, so that a number looks
// the same in a sentence and in a table.
func Sprintf(format string, args ...any) string {
	// A copy would hide from go vet that the arguments go with the format.
	for i, a := range args {
		switch n := a.(type) {
		case int:
			args[i] = integer{int64(n)}
		case int64:
			args[i] = integer{n}
		case uint64:
			args[i] = integer{n}
		case float64:
			args[i] = decimal(n)
		}
	}
	return fmt.Sprintf(format, args...)
}

// decimal is a figure that people write without an exponent.
type decimal float64

// Format writes a plain %g without an exponent, unless the figure is beyond what
// anybody measures, and leaves all else to fmt.
func (d decimal) Format(f fmt.State, verb rune) {
	plain := fmt.FormatString(f, verb)
	if abs := math.Abs(float64(d)); plain == "%g" && abs < 1e15 && (abs >= 1e-6 || abs == 0) {
		fmt.Fprint(f, strconv.FormatFloat(float64(d), 'f', -1, 64))
		return
	}
	fmt.Fprintf(f, plain, float64(d))
}

// integer is an int64 or a uint64.
type integer struct{ n any }

// Format writes a plain %d in groups, and leaves all else to fmt.
func (i integer) Format(f fmt.State, verb rune) {
	plain := fmt.FormatString(f, verb)
	s := fmt.Sprintf(plain, i.n)
	if plain == "%d" {
		sign := ""
		if strings.HasPrefix(s, "-") {
			sign, s = "-", s[1:]
		}
		s = sign + grouped(s)
	}
	fmt.Fprint(f, s)
}

// How many ranges are listed before the rest is only counted.
const (
	shownRanges = 4   // in a sentence or a line of a table
	listRanges  = 256 // in a list that was asked for
)

// Ranges lists ranges for a sentence: the first four, and how many more there
// are.
func Ranges(ranges []image.Range) string { return some(ranges, shownRanges, 0) }

// RangesOf is [Ranges] for a list from which omitted ranges are left out.
func RangesOf(ranges []image.Range, omitted uint64) string { return some(ranges, shownRanges, omitted) }

// RangeList is [Ranges] where the addresses themselves are what is asked for:
// it lists the first 256.
func RangeList(ranges []image.Range) string { return some(ranges, listRanges, 0) }

func some(ranges []image.Range, shown int, omitted uint64) string {
	var parts []string
	for _, r := range ranges[:min(shown, len(ranges))] {
		parts = append(parts, r.String())
	}
	s := strings.Join(parts, ", ")
	if more := uint64(len(ranges)-len(parts)) + omitted; more > 0 {
		s += " and " + Thousands(more) + " more"
	}
	return s
}
