// Package vin checks vehicle identification numbers: their length, their
// characters and, for information, their check digit.
//
// A VIN has 17 characters, digits and capital letters without I, O and Q
// (ISO 3779; 49 CFR 565.13). Position 9 holds a check digit in North America,
// where 49 CFR 565.15(c) makes it mandatory. ISO 3779 does not ask for it, and
// European VINs often carry a filler there: a check digit that does not agree
// is no proof of a wrong VIN, so [Check] reports it and refuses nothing.
package vin

import (
	"fmt"
	"strings"
)

// Length is the number of characters of a VIN.
const Length = 17

// weights are the factors of positions 1 to 17, 49 CFR 565.15(c) table IV. The
// check digit itself, position 9, has none.
var weights = [Length]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}

// values are the letters' numbers, 49 CFR 565.15(c) table III; 0 marks a
// letter that no VIN holds.
var values = [26]int{
	//lint:ignore SA4000 every letter is written alike
	'A' - 'A': 1, 'B' - 'A': 2, 'C' - 'A': 3, 'D' - 'A': 4, 'E' - 'A': 5, 'F' - 'A': 6, 'G' - 'A': 7, 'H' - 'A': 8,
	'J' - 'A': 1, 'K' - 'A': 2, 'L' - 'A': 3, 'M' - 'A': 4, 'N' - 'A': 5, 'P' - 'A': 7, 'R' - 'A': 9,
	'S' - 'A': 2, 'T' - 'A': 3, 'U' - 'A': 4, 'V' - 'A': 5, 'W' - 'A': 6, 'X' - 'A': 7, 'Y' - 'A': 8, 'Z' - 'A': 9,
}

// Result is what can be said about a well-formed VIN.
type Result struct {
	Computed byte // check digit by 49 CFR 565.15(c): '0' to '9' or 'X'
	Found    byte // the character at position 9
}

// Agrees reports whether position 9 holds the computed check digit.
func (r Result) Agrees() bool { return r.Computed == r.Found }

// Note returns a sentence about a check digit that does not agree, "" for one
// that does.
func (r Result) Note() string {
	if r.Agrees() {
		return ""
	}
	return fmt.Sprintf("the check digit at position 9 is %q where 49 CFR 565.15 computes %q; it is mandatory only in North America, elsewhere this proves nothing", r.Found, r.Computed)
}

// Check returns the check digit of s, or an error that names every character
// that makes s no VIN. Lower-case letters are errors: the standard knows
// capitals only (use [strings.ToUpper] on what a user typed).
func Check(s string) (Result, error) {
	var bad []string
	sum, n := 0, 0
	for _, c := range s {
		n++
		v := 0
		switch {
		case c >= '0' && c <= '9':
			v = int(c - '0')
		case c >= 'A' && c <= 'Z' && values[c-'A'] != 0:
			v = values[c-'A']
		case len(bad) < Length: // enough to see what is wrong with a whole file pasted in
			bad = append(bad, fmt.Sprintf("%q at position %d", c, n))
		}
		if n <= Length {
			sum += v * weights[n-1]
		}
	}
	switch {
	case len(bad) > 0 && n != Length:
		return Result{}, fmt.Errorf("VIN has %d characters instead of %d, and %s; it may hold digits and the capital letters except I, O and Q", n, Length, strings.Join(bad, ", "))
	case len(bad) > 0:
		return Result{}, fmt.Errorf("VIN holds %s; it may hold digits and the capital letters except I, O and Q", strings.Join(bad, ", "))
	case n != Length:
		return Result{}, fmt.Errorf("VIN has %d characters instead of %d", n, Length)
	}
	return Result{Computed: "0123456789X"[sum%11], Found: s[8]}, nil
}

// Within reports whether text may hold a VIN, in either case and however it is
// broken up. It takes for one a word of 17 letters and digits with a digit (I, O
// and Q too, the usual slips) and, once everything but letters and digits is
// left out, 17 permitted characters in a row with five digits or more, the last
// four of them at the end, as ISO 3779 wants. It is for keeping VINs out of
// places where they do not belong, so it errs towards yes; a name that ends in
// a year is none.
func Within(text string) bool {
	words := strings.FieldsFunc(strings.ToUpper(text), func(c rune) bool {
		return (c < '0' || c > '9') && (c < 'A' || c > 'Z')
	})
	for _, w := range words {
		if len(w) == Length && countDigits(w) > 0 {
			return true
		}
	}
	joined := strings.Join(words, "")
	for ; len(joined) >= Length; joined = joined[1:] {
		part := joined[:Length]
		if _, err := Check(part); err == nil && countDigits(part) >= 5 && countDigits(part[Length-4:]) == 4 {
			return true
		}
	}
	return false
}

func countDigits(s string) int {
	n := 0
	for _, c := range s {
		if c >= '0' && c <= '9' {
			n++
		}
	}
	return n
}
