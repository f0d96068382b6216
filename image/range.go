package image

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Range is the half-open stretch of addresses [Start, Start+Size).
//
// A range that reaches the top of the 64-bit address space has an End of 0
// (2^64 does not fit), so code that walks a range should count Size down or
// compare with [Range.Last].
type Range struct {
	Start uint64 `json:"start"` // address of the first byte
	Size  uint64 `json:"size"`  // number of bytes
}

// End returns the first address after r. It wraps to 0 for a range that ends
// at the top of the address space.
func (r Range) End() uint64 { return r.Start + r.Size }

// Last returns the address of the last byte of r. It means nothing for an
// empty range.
func (r Range) Last() uint64 { return r.Start + r.Size - 1 }

// Contains reports whether addr lies in r.
func (r Range) Contains(addr uint64) bool { return addr-r.Start < r.Size }

// Covers reports whether every byte of other lies in r. An empty other is
// covered by every range.
func (r Range) Covers(other Range) bool {
	if other.Size == 0 {
		return true
	}
	return r.Contains(other.Start) && other.Size <= r.Size-(other.Start-r.Start)
}

// Intersect returns the addresses that lie in both ranges, and whether there
// are any.
func (r Range) Intersect(other Range) (Range, bool) {
	if r.Size == 0 || other.Size == 0 {
		return Range{}, false
	}
	first, last := max(r.Start, other.Start), min(r.Last(), other.Last())
	if first > last {
		return Range{}, false
	}
	return Range{Start: first, Size: last - first + 1}, true
}

// String gives the first and the last address, "0x70000-0x7FFFF", as data
// sheets print a range; an empty range gives "0x70000+0x0".
func (r Range) String() string {
	if r.Size == 0 {
		return fmt.Sprintf("0x%X+0x0", r.Start)
	}
	return fmt.Sprintf("0x%X-0x%X", r.Start, r.Last())
}

// ParseRange reads a range in either of the two forms that region maps and
// every range flag accept: "FIRST-LAST" with the last byte included, or
// "START+SIZE". Each number is decimal, or hexadecimal with 0x, or octal with
// 0o or binary with 0b; underscores between digits are allowed. An empty range
// and one that runs past the top of the address space are errors.
func ParseRange(s string) (Range, error) {
	text := strings.TrimSpace(s)
	cut := strings.IndexAny(text, "-+")
	if cut < 0 {
		return Range{}, fmt.Errorf(`range %q: write "FIRST-LAST" (last byte included) or "START+SIZE", such as "0x70000-0x7FFFF" or "0x70000+0x10000"`, s)
	}
	left, err := ParseAddress(text[:cut])
	if err != nil {
		return Range{}, fmt.Errorf("range %q: %w", s, err)
	}
	right, err := ParseAddress(text[cut+1:])
	if err != nil {
		return Range{}, fmt.Errorf("range %q: %w", s, err)
	}
	if text[cut] == '+' {
		if right == 0 {
			return Range{}, fmt.Errorf("range %q: size is zero; give at least one byte", s)
		}
		if right-1 > math.MaxUint64-left {
			return Range{}, fmt.Errorf("range %q: runs past the top of the 64-bit address space", s)
		}
		return Range{Start: left, Size: right}, nil
	}
	if right < left {
		return Range{}, fmt.Errorf("range %q: ends at 0x%X, before its start at 0x%X; write the lower address first", s, right, left)
	}
	if left == 0 && right == math.MaxUint64 {
		return Range{}, fmt.Errorf("range %q: covers the whole address space, whose size does not fit in 64 bits", s)
	}
	return Range{Start: left, Size: right - left + 1}, nil
}

// ParseAddress reads one number of a range as [ParseRange] does.
func ParseAddress(s string) (uint64, error) {
	text := strings.TrimSpace(s)
	if len(text) > 1 && text[0] == '0' && text[1] >= '0' && text[1] <= '9' {
		return 0, fmt.Errorf("number %q starts with 0; write 0x for hexadecimal or drop the zero for decimal", text)
	}
	v, err := strconv.ParseUint(text, 0, 64)
	if err != nil {
		if numErr, ok := err.(*strconv.NumError); ok && numErr.Err == strconv.ErrRange {
			return 0, fmt.Errorf("number %q does not fit in 64 bits", text)
		}
		return 0, fmt.Errorf("%q is no number; write hexadecimal with 0x, or decimal", text)
	}
	return v, nil
}

// MergeRanges returns the same addresses as a sorted list in which overlapping
// and adjacent ranges are joined and empty ones dropped. The input is left as
// it is.
func MergeRanges(ranges []Range) []Range {
	sorted := slices.Clone(ranges)
	slices.SortFunc(sorted, func(a, b Range) int { return cmp.Compare(a.Start, b.Start) })
	merged := sorted[:0]
	for _, r := range sorted {
		if r.Size == 0 {
			continue
		}
		if n := len(merged); n > 0 {
			prev := &merged[n-1]
			if touch := prev.Last() == math.MaxUint64 || r.Start <= prev.Last()+1; touch {
				if r.Last() > prev.Last() {
					prev.Size = r.Last() - prev.Start + 1
				}
				continue
			}
		}
		merged = append(merged, r)
	}
	return merged
}

// SubtractRanges returns the addresses of a that lie in no range of b, sorted
// and merged.
func SubtractRanges(a, b []Range) []Range {
	cut := MergeRanges(b)
	var out []Range
	for _, r := range MergeRanges(a) {
		first, last := r.Start, r.Last()
		whole := true
		for len(cut) > 0 && cut[0].Last() < first { // of no use to later ranges either
			cut = cut[1:]
		}
		for _, c := range cut {
			if c.Start > last {
				break
			}
			if c.Start > first {
				out = append(out, Range{Start: first, Size: c.Start - first})
			}
			if c.Last() >= last {
				whole = false
				break
			}
			first = c.Last() + 1
		}
		if whole {
			out = append(out, Range{Start: first, Size: last - first + 1})
		}
	}
	return out
}

// TotalSize returns the number of bytes in ranges, counted once per range.
func TotalSize(ranges []Range) uint64 {
	var n uint64
	for _, r := range ranges {
		n += r.Size
	}
	return n
}
