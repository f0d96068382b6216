package diffmap

import (
	"fmt"
	"strings"

	"github.com/sergi/go-diff/diffmatchpatch"
)

// contextLines is how many equal lines are shown around a change.
const contextLines = 3

// DiffText compares two texts line by line and returns a unified diff: the two
// names, then hunks with three lines of context, "-" before lines only a has,
// "+" before lines only b has. Equal texts give "". A text whose last line has
// no newline is marked as such, as diff -u does.
func DiffText(nameA, a, nameB, b string) string {
	lines := lineDiff(a, b)
	var out strings.Builder
	for i := 0; i < len(lines); {
		if lines[i].op == ' ' {
			i++
			continue
		}
		// A hunk ends where more equal lines follow than two contexts need.
		from, to := max(0, i-contextLines), i
		for equal := 0; to < len(lines) && equal <= 2*contextLines; to++ {
			if equal++; lines[to].op != ' ' {
				equal = 0
			}
		}
		for to > i && lines[to-1].op == ' ' {
			to--
		}
		end := min(len(lines), to+contextLines)
		if out.Len() == 0 {
			fmt.Fprintf(&out, "--- %s\n+++ %s\n", nameA, nameB)
		}
		writeHunk(&out, lines, from, end)
		i = end
	}
	return out.String()
}

// textLine is a line of a diff: op is ' ' in both, '-' only in a, '+' only in b.
// text holds the newline, if there is one.
type textLine struct {
	op   byte
	text string
}

func writeHunk(out *strings.Builder, lines []textLine, from, end int) {
	startA, startB, sizeA, sizeB := 1, 1, 0, 0
	for i, l := range lines[:end] {
		inA, inB := l.op != '+', l.op != '-'
		switch {
		case i < from && inA && inB:
			startA, startB = startA+1, startB+1
		case i < from && inA:
			startA++
		case i < from:
			startB++
		default:
			if inA {
				sizeA++
			}
			if inB {
				sizeB++
			}
		}
	}
	// An empty side is numbered by the line before it.
	if sizeA == 0 {
		startA--
	}
	if sizeB == 0 {
		startB--
	}
	fmt.Fprintf(out, "@@ -%d,%d +%d,%d @@\n", startA, sizeA, startB, sizeB)
	for _, l := range lines[from:end] {
		out.WriteByte(l.op)
		out.WriteString(l.text)
		if !strings.HasSuffix(l.text, "\n") {
			out.WriteString("\n\\ No newline at end of file\n")
		}
	}
}

// lineDiff returns the lines of both texts in order. Every distinct line gets a
// rune of its own, and the runes are compared.
func lineDiff(a, b string) []textLine {
	var table []string
	index := map[string]rune{}
	encode := func(text string) []rune {
		var runes []rune
		for line := range strings.Lines(text) {
			r, ok := index[line]
			if !ok {
				r = lineRune(len(table))
				index[line] = r
				table = append(table, line)
			}
			runes = append(runes, r)
		}
		return runes
	}
	runesA, runesB := encode(a), encode(b)
	if len(table) > maxLines { // out of runes: everything is taken as replaced
		return append(wholeText('-', a), wholeText('+', b)...)
	}
	dmp := diffmatchpatch.New()
	dmp.DiffTimeout = 0 // a time limit would make the result depend on the machine
	var out []textLine
	for _, d := range dmp.DiffMainRunes(runesA, runesB, false) {
		op := map[diffmatchpatch.Operation]byte{
			diffmatchpatch.DiffEqual: ' ', diffmatchpatch.DiffDelete: '-', diffmatchpatch.DiffInsert: '+',
		}[d.Type]
		for _, r := range d.Text {
			out = append(out, textLine{op, table[lineIndex(r)]})
		}
	}
	return out
}

func wholeText(op byte, text string) []textLine {
	var out []textLine
	for line := range strings.Lines(text) {
		out = append(out, textLine{op, line})
	}
	return out
}

// The runes from 1 on stand for lines, without the surrogates and U+FFFD, which
// do not survive the way through a string.
const (
	surrogates     = 0xD800
	surrogateCount = 0x800
	replacement    = 0xFFFD
	maxLines       = 0x10FFFF - surrogateCount - 1
)

func lineRune(i int) rune {
	r := rune(i) + 1
	if r >= surrogates {
		r += surrogateCount
	}
	if r >= replacement {
		r++
	}
	return r
}

func lineIndex(r rune) int {
	if r > replacement {
		r--
	}
	if r >= surrogates {
		r -= surrogateCount
	}
	return int(r) - 1
}
