package report

import (
	"errors"
	"fmt"
	"html/template"
	"slices"
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// stretchView is one changed stretch: where it is, close up, and its bytes on
// both sides.
type stretchView struct {
	ID      string
	Range   string
	Bytes   string
	Regions string
	Holds   []string // what the map says lies there: tables, stored values, identity fields
	Zoom    *zoomView
	Hex     template.HTML // rows for a pre element; built here from digits only
	Hidden  string        // rows left out, "" if none
}

// zoomView draws the neighbourhood of a stretch from edge to edge of a bar
// 1000 units wide.
type zoomView struct {
	From, To string
	Summary  string
	Marks    []spanView
	Tables   []spanView
}

type spanView struct {
	X, W float64
	Name string
}

const (
	hexWidth       = 8    // bytes to a row, on each side: two sides fit on a phone
	hexRowsEach    = 48   // rows of one stretch
	hexRowsTotal   = 3000 // rows of a page
	maxStretches   = 1200 // stretches listed
	maxZooms       = 100
	zoomLeastBytes = 128
)

func stretchViews(p page) ([]stretchView, string, error) {
	if p.Before == nil || p.After == nil {
		return nil, "", nil
	}
	var out []stretchView
	rows := 0
	for i, c := range p.diff.Changes {
		if i == maxStretches {
			left := len(p.diff.Changes) - maxStretches
			return out, fmt.Sprintf("%s more changed stretches are counted above and not shown here; the JSON output lists them all.", evidence.Thousands(uint64(left))), nil
		}
		names := make([]string, len(c.Regions))
		for k, n := range c.Regions {
			names[k] = clip(n, maxName)
		}
		v := stretchView{
			ID: fmt.Sprintf("change-%d", i+1), Range: c.Range.String(),
			Bytes: evidence.Count(c.Bytes, "byte") + " changed", Regions: strings.Join(names, ", "), Holds: holds(p.diff, c.Range),
		}
		if i < maxZooms {
			v.Zoom = newZoom(p, c.Range)
		}
		room := min(hexRowsEach, hexRowsTotal-rows)
		hex, shown, hidden, err := hexRows(p.Before, p.After, c.Range, room)
		if err != nil {
			return nil, "", fmt.Errorf("%s: %w", c.Range, err)
		}
		rows += shown
		v.Hex = template.HTML(hex)
		if hidden > 0 {
			v.Hidden = evidence.Count(uint64(hidden), "row") + " of this stretch not shown"
		}
		out = append(out, v)
	}
	return out, "", nil
}

// holds says what lies in a changed stretch. Without it a stored checksum value,
// which follows from an edit, looks like an edit that nobody made.
func holds(d *diffmap.Result, r image.Range) []string {
	const most = 6
	var out []string
	add := func(what, name string, at image.Range) {
		if _, ok := r.Intersect(at); !ok {
			return
		}
		text := what + " " + clip(name, maxName)
		if len(out) < most && !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	for _, t := range d.Tables {
		add("table", t.After.Name, t.After.Range)
		for _, axis := range []*maps.Axis{t.After.X, t.After.Y} {
			if axis != nil {
				for _, at := range axis.Ranges {
					add("axis of table", t.After.Name, at)
				}
			}
		}
	}
	for _, c := range d.Checksums {
		if c.After.Field != nil {
			add("stored value of checksum", newRuleView(c.After).Name, *c.After.Field)
		}
		if c.After.Cell != nil {
			add("balancing cell of checksum", newRuleView(c.After).Name, *c.After.Cell)
		}
	}
	for _, id := range d.Identity {
		add("identity field", id.After.Name, id.After.Range)
	}
	return out
}

// hexRows prints the bytes of r, widened to whole rows, before and after. A
// byte that an image does not hold is printed as "--".
func hexRows(before, after *image.Image, r image.Range, room int) (text string, shown, hidden int, err error) {
	first := r.Start &^ (hexWidth - 1)
	total := int((r.Last()-first)/hexWidth + 1)
	digits := max(6, len(fmt.Sprintf("%X", r.Last())))
	var b strings.Builder
	for row := range min(total, room) {
		at := first + uint64(row)*hexWidth
		x, err := rowBytes(before, at)
		if err != nil {
			return "", 0, 0, err
		}
		y, err := rowBytes(after, at)
		if err != nil {
			return "", 0, 0, err
		}
		fmt.Fprintf(&b, "%0*X ", digits, at)
		writeSide(&b, x, y, "del")
		b.WriteString("  ")
		writeSide(&b, y, x, "ins")
		b.WriteByte('\n')
		shown++
	}
	return b.String(), shown, total - shown, nil
}

// writeSide prints one side; the changed bytes stand in an element of their
// own, so that they are marked by more than colour.
func writeSide(b *strings.Builder, side, other [hexWidth]int, element string) {
	for i, v := range side {
		text := "--"
		if v >= 0 {
			text = fmt.Sprintf("%02X", v)
		}
		if v != other[i] {
			fmt.Fprintf(b, " <%s>%s</%s>", element, text, element)
		} else {
			b.WriteString(" " + text)
		}
	}
}

// rowBytes reads a row; -1 stands for an address the image does not hold.
func rowBytes(im *image.Image, at uint64) (row [hexWidth]int, err error) {
	var buf [1]byte
	for i := range row {
		row[i] = -1
		_, err := im.ReadAddr(buf[:], at+uint64(i))
		var gap *image.GapError
		switch {
		case err == nil:
			row[i] = int(buf[0])
		case !errors.As(err, &gap):
			return row, err
		}
	}
	return row, nil
}

// newZoom draws r with as much again on each side, at least zoomLeastBytes.
func newZoom(p page, r image.Range) *zoomView {
	size := max(3*r.Size, zoomLeastBytes)
	if size < r.Size {
		return nil // absurdly long
	}
	start := r.Start - min(r.Start, (size-r.Size)/2)
	window := image.Range{Start: start, Size: size}
	if window.Last() < window.Start {
		window.Size = -window.Start // up to the top of the address space
	}
	for _, piece := range logPieces(p) {
		if piece.Contains(r.Start) { // draw no memory that there is not
			window, _ = window.Intersect(piece)
			break
		}
	}
	z := &zoomView{From: fmt.Sprintf("0x%X", window.Start), To: fmt.Sprintf("0x%X", window.Last())}
	place := func(x image.Range) (spanView, bool) {
		part, ok := window.Intersect(x)
		if !ok {
			return spanView{}, false
		}
		s := spanView{
			X: round1(float64(part.Start-window.Start) / float64(window.Size) * 1000),
			W: round1(max(3, float64(part.Size)/float64(window.Size)*1000)),
		}
		return s, true
	}
	marks := 0
	for _, c := range p.diff.Changes {
		if s, ok := place(c.Range); ok {
			z.Marks = append(z.Marks, s)
			marks++
		}
	}
	var names []string
	for _, t := range p.diff.Tables {
		if s, ok := place(t.After.Range); ok {
			s.Name = clip(t.After.Name, maxName)
			z.Tables = append(z.Tables, s)
			names = append(names, s.Name)
		}
	}
	stretches := "1 changed stretch"
	if marks > 1 {
		stretches = evidence.Thousands(uint64(marks)) + " changed stretches"
	}
	z.Summary = fmt.Sprintf("%s from %s to %s with %s", evidence.Count(window.Size, "byte"), z.From, z.To, stretches)
	if len(names) > 0 {
		z.Summary += "; tables here: " + strings.Join(names, "; ")
	}
	return z
}
