package readcheck

import (
	"fmt"
	"math/bits"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

const (
	// nearSize is how many bytes off a round size a raw image may be and still
	// look as if bytes had been lost or doubled on the way.
	nearSize = 2

	leastSize  = 128      // smallest image whose size is judged: the smallest memories
	sizeBits   = 2        // memories have 2 or 3 times a power of two bytes, ...
	sectorSize = 32 << 10 // ... or whole sectors of this size
	kibibyte   = 1 << 10  // of which some memories have other numbers
	nearBits   = 4        // as near as nearSize counts what is 8 to 15 times a power of two
)

// checkSize judges the size of a raw image without a map, which is one span.
// Memories have round sizes; a file that says itself what it is has the one
// that it states.
func (x *examiner) checkSize() {
	s := x.c.spans[0]
	n := len(s.data)
	all := []image.Range{s.rng(0, n)}
	if k, length := kindOf(s.data); k != nil {
		if length <= uint64(n) {
			x.fileEnd = int(length)
			if !k.memory {
				x.other = k
			}
		}
		switch {
		case length > uint64(n):
			x.found(CodeFileShort, evidence.Fault, all,
				"this is %s whose own header says %d bytes, and %d are there: it was read or copied only in part, so get it again", k.name, length, n)
		case length > 0:
			x.found(CodeFileKind, evidence.Note, all,
				"this is %s, no memory of a controller; it has the %d bytes that its header asks for", k.name, length)
		default:
			x.found(CodeFileKind, evidence.Note, all,
				"this is %s, no memory of a controller; whether it is complete was not judged", k.name)
		}
		return
	}
	if n < leastSize || memorySize(n) {
		return
	}
	if off := n - roundTo(n, nearBits); off != 0 && -nearSize <= off && off <= nearSize {
		x.found(CodeSizeNear, evidence.Caution, all,
			"the image has %d bytes, %+d from the round size of %d; bytes were lost or doubled during the read, so read it again", n, off, n-off)
		return
	}
	signs := memorySigns(s)
	if signs == "" {
		x.signless = n%kibibyte != 0
		x.found(CodeSizeOdd, evidence.Note, all,
			"the image has %d bytes, which few memories have, and shows no sign of one: no layout in words, no code of a processor that is known here; if it was read from a memory, the read stopped early, or lost or doubled bytes, so compare with the data sheet of the controller, or state the size of a full read in a map", n)
		return
	}
	x.found(CodeSizeOdd, evidence.Caution, all,
		"the image has %d bytes, and memories have round sizes, while %s: the read probably stopped early, or lost or doubled bytes; compare with the data sheet of the controller and read it again, or state the size of a full read in a map", n, signs)
}

// memorySize reports whether memories of n bytes are usual.
func memorySize(n int) bool { return roundTo(n, sizeBits) == n || n%sectorSize == 0 }

// roundTo returns the nearest number to n that has no more than the given
// number of significant bits.
func roundTo(n, significant int) int {
	grain := 1 << max(bits.Len(uint(n))-significant, 0)
	return (n + grain/2) / grain * grain
}

// checkBlank reports an image without content.
func (x *examiner) checkBlank() {
	if x.c.size == 0 {
		x.found(CodeBlank, evidence.Fault, nil, "the image holds no byte; read it again")
		return
	}
	if v, ok := x.c.only(); ok {
		x.found(CodeBlank, evidence.Fault, x.all(),
			"all %d bytes are 0x%02X: the memory is erased, or nothing was read; check supply and connection and read it again", x.c.size, v)
	}
}

func (x *examiner) all() []image.Range {
	var all []image.Range
	for _, s := range x.c.spans {
		all = append(all, s.rng(0, len(s.data)))
	}
	return all
}

// excuse turns into notes what looks odd in a file that says itself that it is
// something else than a memory: a picture or a program is not read again. In one
// that neither says what it is nor shows any sign of a memory, what other files
// hold by nature is a note: records that stand twice, parts with an order of
// their own, padding. Lines at rest and foreign text are told all the same.
func (x *examiner) excuse() {
	var odd []string
	var why string
	switch {
	case x.other != nil:
		odd = append(patternCodes(), CodeDataLaneDead, CodeAddressLinesSwapped)
		why = fmt.Sprintf("this is %s, where that means nothing", x.other.name)
	case x.signless:
		odd = []string{CodeBlockRepeated, CodeTailRepeats, CodeTailConstant, CodeTailCopy, CodeShifted, CodeBytesSwapped, CodeInterleaved, CodeAddressLinesSwapped}
		why = "the file shows no sign of a memory, and others hold such things by nature"
	}
	for i := range x.findings {
		f := &x.findings[i]
		if f.Severity != evidence.Note && slices.Contains(odd, f.Code) {
			f.Severity = evidence.Note
			f.Message += "; but " + why
		}
	}
}
