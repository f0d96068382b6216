package readcheck

import (
	"fmt"
	"slices"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Cell is what one 64th of an image holds.
type Cell uint8

const (
	CellOutside  Cell = iota // no byte, or no region of the map
	CellErased               // one value from end to end
	CellContent              // anything else
	CellRepeated             // content that stands elsewhere too and should not
	CellChanged              // bytes that differ from another image
)

// StripCells is the number of cells of a strip.
const StripCells = 64

// Strip is an image at a glance: 64 cells in a row, each one 64th of it.
type Strip struct {
	Range image.Range // from the first to the last byte of the map's image, or of the image
	Cells [StripCells]Cell
}

// stripBlock is how many bytes are read at a time: content shows in the first
// few of a cell.
const stripBlock = 4 << 10

// NewStrip looks at im, and reads of each cell as much as tells content from
// erased memory. m may be nil: then no byte is outside the map.
// repeated and changed are the addresses that findings and comparisons name.
// A cell with any changed byte is changed, else one with any repeated byte is
// repeated.
func NewStrip(m *maps.Map, im *image.Image, repeated, changed []image.Range) (*Strip, error) {
	s := &Strip{Range: im.Bounds()}
	if m != nil {
		extent := m.Extent()
		first, last := extent[0], extent[len(extent)-1]
		s.Range = image.Range{Start: first.Start, Size: last.Last() - first.Start + 1}
	}
	held := im.Segments()
	if m != nil {
		held = image.SubtractRanges(held, m.Unmapped())
	}
	buf := make([]byte, stripBlock)
	for i := range s.Cells {
		cell := s.cell(i)
		cell.Size = max(cell.Size, 1) // of fewer bytes than cells each has several
		var err error
		if s.Cells[i], err = cellOf(im, cell, held, buf); err != nil {
			return nil, err
		}
		switch {
		case overlaps(changed, cell): // also outside the map: nothing changed goes unseen
			s.Cells[i] = CellChanged
		case s.Cells[i] == CellOutside:
		case overlaps(repeated, cell):
			s.Cells[i] = CellRepeated
		}
	}
	return s, nil
}

// cell returns the addresses of cell i. Cells are equally long, but for those
// of a range that 64 does not divide.
func (s *Strip) cell(i int) image.Range {
	per, rest := s.Range.Size/StripCells, s.Range.Size%StripCells
	start := func(i uint64) uint64 { return i*per + i*rest/StripCells }
	from, to := start(uint64(i)), start(uint64(i)+1)
	return image.Range{Start: s.Range.Start + from, Size: to - from}
}

func overlaps(ranges []image.Range, cell image.Range) bool {
	return slices.ContainsFunc(ranges, func(r image.Range) bool {
		_, ok := r.Intersect(cell)
		return ok
	})
}

// erasedCell is the smallest cell that looks erased whatever its one value is: a
// few equal bytes are content.
const erasedCell = 16

// cellOf tells content from erased memory in the parts of held that lie in
// cell. buf is what is read at a time.
func cellOf(im *image.Image, cell image.Range, held []image.Range, buf []byte) (Cell, error) {
	kind := CellOutside
	var value byte
	for _, h := range held {
		part, ok := h.Intersect(cell)
		for at := uint64(0); ok && at < part.Size; {
			block := buf[:min(uint64(len(buf)), part.Size-at)]
			if _, err := im.ReadAddr(block, part.Start+at); err != nil {
				return CellOutside, err
			}
			if kind == CellOutside {
				kind, value = CellErased, block[0]
			}
			if block[0] != value || !isFill(block) {
				return CellContent, nil
			}
			at += uint64(len(block))
		}
	}
	if kind == CellErased && cell.Size < erasedCell && value != 0x00 && value != 0xFF {
		kind = CellContent
	}
	return kind, nil
}

// mark is how a cell is drawn.
type mark struct {
	cell    Cell
	char    string
	ascii   string
	meaning string
}

func marks() []mark {
	return []mark{
		{CellContent, "█", "#", "content"},
		{CellErased, "░", "-", "erased"},
		{CellRepeated, "▚", "=", "repeated"},
		{CellChanged, "◆", "!", "changed"},
		{CellOutside, "·", ".", "outside the map"},
	}
}

// Lines draws s in four lines of at most 76 columns: addresses, cells, a
// legend of what occurs, and the size of a cell. ascii keeps to ASCII.
func (s *Strip) Lines(ascii bool) []string {
	const tick = StripCells / 4
	var scale, cells strings.Builder
	step := tick
	if len(address(s.Range.Last())) >= tick { // two would run together
		step *= 2
	}
	for i := 0; i < StripCells; i += step {
		fmt.Fprintf(&scale, "%-*s", step, address(s.cell(i).Start))
	}
	used := map[Cell]bool{}
	for _, c := range s.Cells {
		used[c] = true
		cells.WriteString(markOf(c).text(ascii))
	}
	var legend []string
	for _, m := range marks() {
		if used[m.cell] {
			legend = append(legend, m.text(ascii)+" "+m.meaning)
		}
	}
	per := s.Range.Size / StripCells
	each := evidence.Sprintf("one cell is %d bytes", per)
	switch {
	case per == 0:
		each = "one cell is less than a byte"
	case per == 1:
		each = "one cell is 1 byte"
	case per >= 1024 && per%1024 == 0:
		each = evidence.Sprintf("one cell is %d KiB", per/1024)
	}
	return []string{strings.TrimRight(scale.String(), " "), cells.String(), strings.Join(legend, "  "), each}
}

func address(addr uint64) string { return fmt.Sprintf("0x%X", addr) }

func markOf(c Cell) mark {
	for _, m := range marks() {
		if m.cell == c {
			return m
		}
	}
	return mark{}
}

func (m mark) text(ascii bool) string {
	if ascii {
		return m.ascii
	}
	return m.char
}

// Repeated returns the addresses that findings say were read twice.
func Repeated(findings []evidence.Finding) []image.Range {
	var out []image.Range
	for _, f := range findings {
		switch {
		case f.Severity == evidence.Note:
		case slices.Contains([]string{CodeBlockRepeated, CodeTailRepeats, CodeTailCopy, CodeAddressLineStuck, CodeAddressLinesShorted}, f.Code):
			out = append(out, f.Ranges...)
		}
	}
	return image.MergeRanges(out)
}
