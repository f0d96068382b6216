package report

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Clean returns s with every character escaped that is not plainly visible:
// control characters (so also newlines and the escape that starts a terminal
// command), characters that change the direction of text, characters of no
// width, line separators, odd spaces, and bytes that are no UTF-8. An escape is
// "\x1b", "\u202e" or "\U000e0001".
func Clean(s string) string {
	clean := true
	for _, r := range s {
		if !plain(r) || r == utf8.RuneError {
			clean = false
			break
		}
	}
	if clean {
		return s
	}
	var b strings.Builder
	for len(s) > 0 {
		r, n := utf8.DecodeRuneInString(s)
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02x`, s[0])
		case plain(r):
			b.WriteString(s[:n])
		case r < 0x80:
			fmt.Fprintf(&b, `\x%02x`, r)
		case r > 0xFFFF:
			fmt.Fprintf(&b, `\U%08x`, r)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
		s = s[n:]
	}
	return b.String()
}

// plain reports whether r is visible by itself, or the space.
// unicode.IsPrint leaves out control, format (direction, zero width),
// separator and unassigned characters. The fillers are letters to Unicode but
// show as nothing.
func plain(r rune) bool {
	switch r {
	case 0x115F, 0x1160, 0x3164, 0xFFA0: // Hangul fillers
		return false
	case 0x2800: // braille blank
		return false
	}
	return unicode.IsPrint(r) && !unicode.Is(unicode.Variation_Selector, r)
}
