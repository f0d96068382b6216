package report

import (
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// axis maps addresses to pixels: pieces of memory to scale, long gaps between
// them shortened to a break.
type axis struct {
	pieces []image.Range
	top    []float64 // y of the first byte of each piece
	perPx  float64   // bytes to a pixel
	breaks []breakView
}

func newAxis(pieces []image.Range, height float64) axis {
	ax := axis{pieces: image.MergeRanges(pieces)}
	var total float64
	for _, p := range ax.pieces {
		total += float64(p.Size)
	}
	// A gap that would take more than an eighth of the log says nothing but
	// "nothing here": draw a break instead.
	var scaled float64
	breaks := 0
	gaps := make([]float64, len(ax.pieces))
	for i := 1; i < len(ax.pieces); i++ {
		gap := float64(ax.pieces[i].Start - ax.pieces[i-1].End())
		if gap > total/8 {
			gaps[i] = -1
			breaks++
		} else {
			gaps[i] = gap
			scaled += gap
		}
	}
	room := max(height-float64(breaks)*breakHeight, height/4)
	ax.perPx = (total + scaled) / room
	y := 0.0
	for i, p := range ax.pieces {
		switch {
		case gaps[i] < 0:
			missing := ax.pieces[i].Start - ax.pieces[i-1].End()
			ax.breaks = append(ax.breaks, breakView{Y: y + breakHeight/2, Text: evidence.Count(missing, "byte") + " left out"})
			y += breakHeight
		case i > 0:
			y += gaps[i] / ax.perPx
		}
		ax.top = append(ax.top, y)
		y += float64(p.Size) / ax.perPx
	}
	return ax
}

// y returns where addr stands; an address in a gap stands at the gap's end.
func (ax axis) y(addr uint64) float64 {
	i, found := slices.BinarySearchFunc(ax.pieces, addr, func(p image.Range, a uint64) int {
		switch {
		case p.Contains(a):
			return 0
		case p.Start > a:
			return 1
		}
		return -1
	})
	if found {
		return ax.top[i] + float64(addr-ax.pieces[i].Start)/ax.perPx
	}
	if i < len(ax.top) {
		return ax.top[i]
	}
	return ax.bottom()
}

func (ax axis) bottom() float64 {
	n := len(ax.pieces) - 1
	return ax.top[n] + float64(ax.pieces[n].Size)/ax.perPx
}

// mark returns the place of r, at least least pixels high.
func (ax axis) mark(r image.Range, least float64) markView {
	top := ax.y(r.Start)
	height := float64(r.Size) / ax.perPx
	if end := ax.y(r.Last()) + 1/ax.perPx; end > top {
		height = end - top
	}
	if height < least {
		top = max(0, top-(least-height)/2)
		height = least
	}
	return markView{Y: round1(top), H: round1(height)}
}
