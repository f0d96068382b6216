package checksum

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"math/big"
	"strings"
)

// MaxWidth is the number of bits of the widest [Value], that of SHA-512.
const MaxWidth = 512

// Value is a checksum of 1 to 512 bits. Values are comparable with ==: they
// are equal if their widths and their numbers are. The zero Value has no width
// and means "not given".
type Value struct {
	width int
	low   uint64 // the low 64 bits
	high  string // the bytes above them, most significant first; none for widths up to 64. Strings compare with ==
}

// NewValue returns v as a value of width bits; bits of v beyond the width are
// dropped. A width outside 1..512 gives the zero Value, which every other
// function of this package refuses with an error.
func NewValue(width int, v uint64) Value {
	switch {
	case width < 1 || width > MaxWidth:
		return Value{}
	case width <= 64:
		return Value{width: width, low: v & lowBits(width)}
	default:
		return Value{width: width, low: v, high: string(make([]byte, (width+7)/8-8))}
	}
}

// ParseValue reads a number that must fit in width bits: hexadecimal after
// "0x", or decimal. For widths above 64 it takes no decimal numbers, but the
// bare hexadecimal digits that hash tools print, all ceil(width/4) of them.
func ParseValue(width int, s string) (Value, error) {
	if err := checkWidth(width); err != nil {
		return Value{}, err
	}
	digits, base, form := s, 10, "decimal digits"
	if width > 64 {
		form = fmt.Sprintf("%d hexadecimal digits", (width+3)/4)
	}
	if rest, ok := cutHexPrefix(s); ok {
		digits, base = rest, 16
	} else if width > 64 {
		base = 16
		if len(s) != (width+3)/4 {
			digits = ""
		}
	}
	for _, c := range digits { // big.Int would also take signs and underscores
		if !strings.ContainsRune("0123456789abcdefABCDEF"[:10+(base-10)*2], c) {
			digits = ""
		}
	}
	// A number of 64 bits has 20 decimal digits, one of 512 bits 128
	// hexadecimal ones; far longer texts, leading zeros included, are refused
	// before any time is spent on them.
	if digits == "" || len(digits) > MaxWidth {
		return Value{}, fmt.Errorf("%q is no number of %d bits: write hexadecimal digits after 0x, or %s", shorten(s), width, form)
	}
	n, _ := new(big.Int).SetString(digits, base)
	if n.BitLen() > width {
		return Value{}, fmt.Errorf("%s does not fit in %d bits", shorten(s), width)
	}
	return fromBytes(width, n.FillBytes(make([]byte, (width+7)/8))), nil
}

// ValueFromBytes returns the value of width bits whose big-endian bytes are
// given: exactly ceil(width/8) of them, with the unused top bits of the first
// byte zero.
func ValueFromBytes(width int, bigEndian []byte) (Value, error) {
	if err := checkWidth(width); err != nil {
		return Value{}, err
	}
	if n := (width + 7) / 8; len(bigEndian) != n {
		return Value{}, fmt.Errorf("a value of %d bits has %d bytes, not %d", width, n, len(bigEndian))
	}
	if used := width % 8; used != 0 && bigEndian[0]>>used != 0 {
		return Value{}, fmt.Errorf("0x%X does not fit in %d bits", bigEndian, width)
	}
	return fromBytes(width, bigEndian), nil
}

// fromBytes is ValueFromBytes for bytes known to be right.
func fromBytes(width int, bigEndian []byte) Value {
	v := Value{width: width}
	if n := len(bigEndian) - 8; n > 0 {
		v.high, bigEndian = string(bigEndian[:n]), bigEndian[n:]
	}
	for _, b := range bigEndian {
		v.low = v.low<<8 | uint64(b)
	}
	return v
}

// Width returns the number of bits, 0 for the zero Value.
func (v Value) Width() int { return v.width }

// Bytes returns the ceil(width/8) bytes of v, most significant first.
func (v Value) Bytes() []byte { return v.appendTo(nil) }

func (v Value) appendTo(b []byte) []byte {
	b = append(b, v.high...)
	for i := (min(v.width, 64) + 7) / 8; i > 0; i-- {
		b = append(b, byte(v.low>>(8*i-8)))
	}
	return b
}

// Uint64 returns v as a number, and whether it fits in 64 bits.
func (v Value) Uint64() (uint64, bool) {
	return v.low, v.high == "" || strings.Trim(v.high, "\x00") == ""
}

// String gives "0x" and ceil(width/4) upper-case hexadecimal digits. The zero
// Value gives "none".
func (v Value) String() string {
	if v.width == 0 {
		return "none"
	}
	digits := strings.ToUpper(hex.EncodeToString(v.Bytes()))
	return "0x" + digits[len(digits)-(v.width+3)/4:]
}

// MarshalText gives [Value.String], so that JSON shows a value as "0x...".
func (v Value) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// valueOf returns n, which must fit, as a value of up to 128 bits.
func valueOf(width int, n u128) Value {
	if width <= 64 {
		return Value{width: width, low: n.lo}
	}
	high := binary.BigEndian.AppendUint64(nil, n.hi)
	return Value{width: width, low: n.lo, high: string(high[16-(width+7)/8:])}
}

// number returns v, of up to 128 bits, as a number.
func (v Value) number() u128 {
	n := u128{lo: v.low}
	for i := range len(v.high) {
		n.hi = n.hi<<8 | uint64(v.high[i])
	}
	return n
}

func checkWidth(width int) error {
	if width < 1 || width > MaxWidth {
		return fmt.Errorf("a value of %d bits: the width must be 1 to %d", width, MaxWidth)
	}
	return nil
}

// checkValue says whether v can be a result of an algorithm of width bits.
func checkValue(what string, v Value, width int) error {
	if v.width == 0 {
		return errors.New(what + " is not given")
	}
	if v.width != width {
		return fmt.Errorf("%s %v has %d bits, the algorithm has %d", what, v, v.width, width)
	}
	return nil
}

func cutHexPrefix(s string) (string, bool) {
	if len(s) > 2 && s[0] == '0' && (s[1] == 'x' || s[1] == 'X') {
		return s[2:], true
	}
	return s, false
}

// shorten keeps text from outside printable on one line of an error.
func shorten(s string) string {
	if len(s) > 80 {
		return s[:77] + "..."
	}
	return s
}
