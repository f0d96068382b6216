package image

import (
	"fmt"
	"io"
	"slices"
	"strings"
)

// recordFile is what the two formats of records have in common while a file is
// read: a scanner, the mistakes, the notes.
type recordFile struct {
	*textScanner
	probs   *problems
	sink    recordSink
	notes   []Note
	omitted int // notes beyond maxNotes
	column  int // 1-based, of the current record
	pairs   *pairTable
	data    [maxRecord]byte // bytes of a damaged record
	unsure  bool            // a damaged record may have changed where others belong
	endLine int             // line of the end record, 0 before it, endReported later
}

// endReported replaces the line of the end record once text after it has been
// reported.
const endReported = -1

// maxRecord is the most bytes a record can have: 255 of data in Intel HEX, with
// length, offset, type and checksum. maxBody is the same without what is before
// the data.
const (
	maxRecord = 1 + 2 + 1 + maxBody
	maxBody   = ihexMaxData + 1
)

// maxNotes is how many notes of one file are kept, so that a hostile file
// cannot make more of them than it has bytes.
const maxNotes = 100

func newRecordFile(r io.ReaderAt, size int64, extraEnd byte, sink recordSink, probs *problems) *recordFile {
	return &recordFile{textScanner: newTextScanner(r, size, extraEnd), sink: sink, probs: probs, pairs: digitPairs()}
}

func (f *recordFile) note(format string, args ...any) {
	if len(f.notes) >= maxNotes {
		f.omitted++
		return
	}
	f.notes = append(f.notes, Note{Line: f.line, Message: fmt.Sprintf(format, args...)})
}

// recordShape is how a record is told from other text.
type recordShape struct {
	mark     byte   // its first character,
	fold     byte   // with these bits set, so that both cases of a letter do
	count    int    // characters before the digits that count its bytes
	overhead int    // characters beside the bytes that are counted
	longest  int    // characters
	end      string // the record that ends a file, for messages
}

// recordParser is one of the two formats.
type recordParser interface {
	// record takes a record without its first character if it is sound in itself.
	record(text []byte) bool
	// diagnose takes a line with something on it. It is a good record with
	// blanks around it, or one with a mistake, which is reported.
	diagnose(line []byte, column int, last bool)
	// tooLong notes a line longer than any record.
	tooLong()
}

// scanFile reads the text from start to end.
func (f *recordFile) scanFile(p recordParser, shape recordShape) {
	for {
		rest := f.rest()
		if len(rest) == 0 {
			break
		}
		if f.endLine == 0 && f.plainLines(p, shape, rest) {
			continue
		}
		f.oddLine(p, shape)
	}
	if f.err == nil && f.endLine == 0 {
		f.probs.add(f.line, 0, io.ErrUnexpectedEOF, "the file ends without an end record (%s); it was cut short", shape.end)
	}
}

// plainLines takes the lines at the start of text that are whole good records
// and nothing else, as long as at least window bytes are left or text is the
// last. It reports whether there were any.
func (f *recordFile) plainLines(p recordParser, shape recordShape, text []byte) bool {
	f.column = 1
	at, last := 0, f.off >= f.size
	for len(text)-at >= window || last && at < len(text) {
		line := text[at:]
		n, ok := 0, false
		if len(line) >= shape.overhead && line[0]|shape.fold == shape.mark {
			n, ok = digitPair(line[shape.count:])
		}
		length := shape.overhead + 2*n
		if !ok || length > len(line) || length < len(line) && !f.ends[line[length]] || !p.record(line[1:length]) {
			break
		}
		if at += length; at < len(text) {
			at += f.lineEnd(text[at:])
		}
		if f.endLine != 0 {
			break
		}
	}
	f.pos += at
	return at > 0
}

// oddLine takes a line that is not plainly a good record, and moves past it.
func (f *recordFile) oddLine(p recordParser, shape recordShape) {
	whole, long := f.text()
	line, column := trim(whole)
	f.column = column
	switch {
	case len(line) == 0 && !long:
	case f.endLine != 0:
		if f.endLine != endReported {
			f.probs.add(f.line, column, nil, "text after the end record of line %d; nothing may follow it", f.endLine)
			f.endLine = endReported
		}
	case long:
		p.tooLong()
		f.probs.add(f.line, column, nil, "bad length: the line is longer than %d characters, the longest a record can be", shape.longest)
	default:
		p.diagnose(line, column, f.atLastLine(len(whole)))
	}
	if long {
		f.skipLong()
		return
	}
	f.skip(len(whole))
}

// trim cuts blanks off both ends of a line and returns the 1-based column at
// which the rest starts.
func trim(line []byte) (rest []byte, column int) {
	text := string(line)
	left := len(text) - len(strings.TrimLeft(text, " \t"))
	return line[left:][:len(strings.Trim(text, " \t"))], left + 1
}

// scanRecords reads the records of a file into an image. scan walks the text,
// hands every record to f.sink and reports mistakes to f.probs.
func scanRecords(r io.ReaderAt, size int64, opts Options, format Format, extraEnd byte, scan func(f *recordFile) *Image) (*Image, error) {
	pass := func(sink recordSink, probs *problems) (*recordFile, *Image) {
		f := newRecordFile(r, size, extraEnd, sink, probs)
		return f, scan(f)
	}
	b := &builder{}
	probs := newProblems(format, opts)
	f, head := pass(b, probs)
	if f.err != nil {
		return nil, fmt.Errorf("read line %d: %w", f.line, f.err)
	}
	chunks, twice := b.chunks()
	if len(twice) > 0 && !f.unsure {
		o := newOverlaps(twice, probs)
		again, _ := pass(o, &problems{})
		if again.err != nil {
			return nil, fmt.Errorf("read line %d: %w", again.line, again.err)
		}
		if equal := MergeRanges(o.equal); len(equal) > 0 {
			f.notes = append(f.notes, Note{o.line, fmt.Sprintf("%d bytes are given more than once, with equal values", TotalSize(equal)), equal})
		}
	}
	if err := probs.err(); err != nil {
		return nil, err
	}
	if len(chunks) == 0 {
		probs.add(0, 0, nil, "the file is well formed but holds no data bytes")
		return nil, probs.err()
	}
	im, err := newImage(format, chunks)
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(f.notes, func(a, b Note) int { return a.Line - b.Line })
	if f.omitted > 0 {
		f.notes = append(f.notes, Note{Message: fmt.Sprintf("%d more notes left out", f.omitted)})
	}
	im.header, im.start, im.notes = head.header, head.start, f.notes
	return im, nil
}
