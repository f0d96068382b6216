package readcheck

import (
	"bytes"
	"fmt"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

const (
	shortPeriod = 15 // longest period of a padding pattern that is no block
	copyProbe   = 64 // bytes near the end of the image that are looked for further up, ...
	copySearch  = 16 // ... of which the search takes so many
	copyTries   = 16 // places at which they are looked at
)

// checkTail looks at the end of the image, where a read that stopped early was
// padded out.
func (x *examiner) checkTail() {
	if len(x.c.spans) == 0 {
		return
	}
	s := x.c.spans[len(x.c.spans)-1]
	if at, p := patternTail(s.data); at > 0 && len(s.data)-at >= max(x.lim.tailBytes, int(x.lim.tailShare*float64(len(s.data)))) {
		r := s.rng(at, len(s.data))
		what := fmt.Sprintf("0x%02X", s.data[at])
		if p > 1 {
			what = fmt.Sprintf("the pattern % X", s.data[len(s.data)-p:])
		}
		x.foundTail(r, "the last %d bytes (%s) hold nothing but %s", r.Size, r, what)
		return
	}
	if at, d := copiedTail(s.data, x.lim.copyBytes); at > 0 {
		r := s.rng(at, len(s.data))
		x.found(CodeTailCopy, evidence.Fault, []image.Range{r},
			"the last %d bytes (%s) are a copy of those 0x%X bytes earlier, as a read leaves it that wrapped around or was padded with what was already there; read the whole memory again and compare the two reads", r.Size, r, d)
	}
}

// patternTail returns where the tail of data begins that repeats with the
// shortest period p up to shortPeriod; the tail is at least two periods long.
// It returns 0, 0 if there is none, or if all of data is such a tail.
func patternTail(data []byte) (at, p int) {
	for p = 1; p <= shortPeriod; p++ {
		i := len(data) - 1
		for i-p >= 0 && data[i] == data[i-p] {
			i--
		}
		if at = i - p + 1; len(data)-at >= max(2*p, 32) {
			return max(at, 0), p
		}
	}
	return 0, 0
}

// copiedTail returns where the longest tail of data begins, of least bytes or
// more, that also stands d bytes earlier, or 0, 0. The bytes that are looked for
// further up are the richest of the last least bytes: a tail may well end in
// fill.
func copiedTail(data []byte, least int) (at, d int) {
	if len(data) < 2*least || least < copyProbe {
		return 0, 0
	}
	from, values := 0, 0
	for i := len(data) - copyProbe; i >= len(data)-least; i -= copyProbe {
		if n := distinct(data[i : i+copyProbe]); n > values {
			from, values = i, n
		}
	}
	if values < richValues {
		return 0, 0
	}
	probe := data[from : from+copyProbe]
	var places [copyTries]int // the last ones found
	found := 0
	for i := 0; ; i++ {
		// The search is for fewer bytes than all, which is much faster.
		next := bytes.Index(data[i:from+copySearch-1], probe[:copySearch])
		if next < 0 {
			break
		}
		i += next
		if bytes.HasPrefix(data[i:], probe) {
			places[found%copyTries] = i
			found++
		}
	}
	best := 0
	for _, i := range places[:min(found, copyTries)] {
		dist := from - i
		if !bytes.Equal(data[from:], data[i:len(data)-dist]) {
			continue
		}
		n := len(data) - from
		for n < dist && i-(n-(len(data)-from)) > 0 && data[len(data)-n-1] == data[len(data)-n-1-dist] {
			n++
		}
		if n > best {
			best, at, d = n, len(data)-n, dist
		}
	}
	if best < least {
		return 0, 0
	}
	return at, d
}

func distinct(b []byte) int {
	var have [256]bool
	n := 0
	for _, v := range b {
		if !have[v] {
			have[v] = true
			n++
		}
	}
	return n
}

// foundTail reports a tail that is padding or erased memory; which, only a
// map or a second read can tell. A file that says itself how long it is, and is
// as long, counts the tail as its own, or has padding behind it that no read
// has made.
func (x *examiner) foundTail(r image.Range, format string, args ...any) {
	msg := evidence.Sprintf(format, args...)
	if x.fileEnd > 0 {
		x.found(CodeTailConstant, evidence.Note, []image.Range{r}, "%s; the file says itself how long it is, and is as long", msg)
		return
	}
	x.found(CodeTailConstant, evidence.Caution, []image.Range{r},
		"%s: erased memory, or a read that stopped at 0x%X and was padded; a map that says what should be there, or a second read of the whole memory, tells which", msg, r.Start)
}
