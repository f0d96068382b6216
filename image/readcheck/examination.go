package readcheck

import (
	"fmt"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Examination is [Examine] for bytes that are read for other purposes too
// ([maps.ReadOnce]): make one, let it take every byte of the image in the order
// of addresses, then ask for the report.
//
// It keeps a copy of the bytes: its checks compare every part of an image with
// every other. The map's fields and tables are read from the image, and so are
// the bytes of checksum rules that fail, when it tries other arrangements of them.
type Examination struct {
	im    *image.Image
	spans []*span
	at    int // the span that is being filled
}

// NewExamination begins the examination of im.
func NewExamination(im *image.Image) (*Examination, error) {
	if im == nil {
		return nil, fmt.Errorf("examine: no image given")
	}
	if im.Size() > maxContent {
		return nil, fmt.Errorf("examine: image holds %d bytes, more than the %d that can be examined; cut it to the memory it was read from", im.Size(), uint64(maxContent))
	}
	e := &Examination{im: im}
	for _, r := range im.Segments() {
		e.spans = append(e.spans, &span{start: r.Start, data: make([]byte, 0, r.Size)})
	}
	return e, nil
}

// Take takes the next bytes of the image. They are copied.
func (e *Examination) Take(block []byte) {
	for len(block) > 0 && e.at < len(e.spans) {
		s := e.spans[e.at]
		room := cap(s.data) - len(s.data)
		if room == 0 {
			e.at++
			continue
		}
		n := min(room, len(block))
		s.data = append(s.data, block[:n]...)
		block = block[n:]
	}
}

// Report runs the checks. b is the image and its map, if there is one, and
// results are those of its checksum rules. It is an error if not all bytes of the
// image were taken.
func (e *Examination) Report(b *maps.Bound, results []maps.RuleResult) (*Report, error) {
	got := uint64(0)
	for _, s := range e.spans {
		got += uint64(len(s.data))
	}
	if got != e.im.Size() {
		return nil, fmt.Errorf("examine: %d of %d bytes were taken", got, e.im.Size())
	}
	lim := limitsFor(b.Map)
	x := &examiner{m: b.Map, c: newContent(e.spans, lim.rich), lim: lim}
	lines := &examiner{m: x.m, c: x.c, lim: x.lim} // without what checkSize says of the end of a file
	lines.ordered = lines.provedLines(results)
	x.checkBlank()
	switch {
	case b.Map != nil:
	case e.im.Format() == image.FormatELF:
		x.other = elfProgram
		x.found(CodeFileKind, evidence.Note, x.all(),
			"this is %s, which a linker made and no reader; the %d bytes that it loads were examined", elfProgram.name, x.c.size)
	case e.im.Format() == image.FormatRaw && len(x.c.spans) == 1:
		x.checkSize()
	}
	x.atOnce(func(o *examiner) { lines.checkLines(); o.add(lines) }, (*examiner).checkTail, (*examiner).checkShift, (*examiner).checkOrder, (*examiner).checkText)
	x.fold()
	if b.Map == nil {
		x.checkEntropy(nil)
		x.excuse()
		x.skipped("without a region map nothing says how large the memory is, what should be where and which checksums must agree; write a map and give it with --map")
		x.skipped("holes, erased parts and an end at a size that memories have look the same with a fault and without; a map tells, and a second read may")
		if !slices.ContainsFunc(x.c.spans, x.exchangeable) {
			x.skipped("exchanged address lines are looked for in images of %d bytes or more whose size memories have", leastExchanged)
		}
	} else {
		x.checkMap(b, results)
	}
	return x.report(), nil
}
