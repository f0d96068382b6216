package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// logView is the memory drawn like the log of a drilled core: addresses run
// downwards to scale, each region is a layer with the pattern of its role, and
// what happened there is marked beside it.
type logView struct {
	Height  int // pixels
	Summary string
	Layers  []layerView
	Erased  []markView
	Changes []markView
	Faults  []markView
	Breaks  []breakView
	Labels  []labelView
	Legend  []legendView
	Omitted string
}

type layerView struct {
	Y, H float64
	Role string // selects the pattern
}

type markView struct{ Y, H float64 }

// Mid is the vertical middle, where a mark's pointer stands.
func (m markView) Mid() float64 { return m.Y + m.H/2 }

// breakView is a gap that was shortened.
type breakView struct {
	Y    float64
	Text string
}

// labelView is a region's name beside the log, tied to its layer by a line.
type labelView struct {
	Key     string
	Name    string
	Detail  string
	Changed bool
	From    float64 // middle of the layer
	At      float64 // middle of the label, after labels were spread
	Top     float64
}

type legendView struct{ Role, Text string }

const (
	logMinHeight   = 420.0
	labelPitch     = 38.0 // pixels from one label to the next
	maxLabels      = 60
	breakHeight    = 16.0
	minLayerHeight = 1.0
	minMarkHeight  = 2.0
)

func round1(v float64) float64 { return math.Round(v*10) / 10 }

func newLogView(p page) (*logView, error) {
	pieces := logPieces(p)
	if len(pieces) == 0 {
		return nil, nil
	}
	labels := logLabels(p)
	lv := &logView{}
	if len(labels) > maxLabels {
		lv.Omitted = evidence.Sprintf("%d of %d regions are named here; the table below has them all.", maxLabels, len(labels))
		if p.Map == nil {
			lv.Omitted = evidence.Sprintf("%d of %d pieces of memory are named here.", maxLabels, len(labels))
		}
		labels = mostTelling(labels, maxLabels)
	}
	height := max(logMinHeight, labelPitch*float64(len(labels)+1))
	ax := newAxis(pieces, height)
	lv.Breaks = ax.breaks
	roles := map[string]bool{}
	var mapped []image.Range
	if p.Map != nil {
		for _, r := range p.Map.Regions {
			m := ax.mark(r.Range, minLayerHeight)
			lv.Layers = append(lv.Layers, layerView{Y: m.Y, H: m.H, Role: pattern(r.Role)})
			roles[pattern(r.Role)] = true
			mapped = append(mapped, r.Range)
		}
	}
	for _, s := range image.SubtractRanges(pieces, mapped) {
		m := ax.mark(s, minLayerHeight)
		lv.Layers = append(lv.Layers, layerView{Y: m.Y, H: m.H, Role: "unmapped"})
		roles["unmapped"] = true
	}
	var err error
	if lv.Erased, err = erasedMarks(p, ax); err != nil {
		return nil, err
	}
	lv.Changes = changeMarks(p, ax)
	lv.Faults = faultMarks(p, ax)
	lv.Labels = placeLabels(labels, ax, height)
	lv.Height = int(math.Ceil(max(height, ax.bottom()))) + 4
	lv.Legend = legend(roles, len(lv.Erased) > 0, len(lv.Changes) > 0, len(lv.Faults) > 0)
	lv.Summary = logSummary(p, pieces)
	return lv, nil
}

func logPieces(p page) []image.Range {
	var pieces []image.Range
	for _, im := range []*image.Image{p.Before, p.After} {
		if im != nil {
			pieces = append(pieces, im.Segments()...)
		}
	}
	if p.Map != nil {
		for _, r := range p.Map.Regions {
			pieces = append(pieces, r.Range)
		}
	}
	return image.MergeRanges(pieces)
}

// logLabel is a region that wants a label.
type logLabel struct {
	key, name, detail string
	rng               image.Range
	changed           uint64
}

// logLabels names the regions of the map; without one, the pieces of memory.
func logLabels(p page) []logLabel {
	changed := map[string]uint64{}
	if p.diff != nil {
		for _, r := range p.diff.Regions {
			changed[r.Name] += r.Bytes
		}
	}
	var out []logLabel
	if p.Map == nil {
		for i, r := range logPieces(p) {
			l := logLabel{key: fmt.Sprint(i + 1), name: r.String(), detail: bytesOf(r.Size), rng: r}
			if p.diff != nil {
				for _, c := range p.diff.Changes {
					if r.Covers(c.Range) {
						l.changed += c.Bytes
					}
				}
			}
			out = append(out, l)
		}
	} else {
		for i, r := range p.Map.Regions {
			out = append(out, logLabel{key: fmt.Sprint(i + 1), name: clip(r.Name, maxName), detail: r.Range.String(), rng: r.Range, changed: changed[r.Name]})
		}
	}
	for i := range out {
		if n := out[i].changed; n > 0 {
			out[i].detail += ", " + evidence.Count(n, "byte") + " changed"
		}
	}
	slices.SortStableFunc(out, func(a, b logLabel) int { return cmp.Compare(a.rng.Start, b.rng.Start) })
	return out
}

// mostTelling keeps n labels: changed regions first, then the largest; the
// order stays that of the addresses.
func mostTelling(labels []logLabel, n int) []logLabel {
	order := make([]int, len(labels))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		x, y := labels[a], labels[b]
		if (x.changed > 0) != (y.changed > 0) {
			if x.changed > 0 {
				return -1
			}
			return 1
		}
		switch {
		case x.rng.Size > y.rng.Size:
			return -1
		case x.rng.Size < y.rng.Size:
			return 1
		}
		return 0
	})
	keep := slices.Sorted(slices.Values(order[:n]))
	out := make([]logLabel, n)
	for i, k := range keep {
		out[i] = labels[k]
	}
	return out
}

// placeLabels puts every label as near to its layer as the pitch allows: push
// down from the top, then up from the bottom.
func placeLabels(labels []logLabel, ax axis, height float64) []labelView {
	out := make([]labelView, len(labels))
	low := labelPitch / 2
	for i, l := range labels {
		m := ax.mark(l.rng, minLayerHeight)
		out[i] = labelView{Key: l.key, Name: l.name, Detail: l.detail, Changed: l.changed > 0, From: round1(m.Mid())}
		out[i].At = max(out[i].From, low)
		low = out[i].At + labelPitch
	}
	high := height - labelPitch/2
	for i := len(out) - 1; i >= 0; i-- {
		out[i].At = round1(min(out[i].At, high))
		out[i].Top = round1(out[i].At - labelPitch/2)
		high = out[i].At - labelPitch
	}
	return out
}

// erasedMarks finds runs of the erased byte that are tall enough to see.
func erasedMarks(p page, ax axis) ([]markView, error) {
	im := p.After
	if im == nil {
		im = p.Before
	}
	if im == nil {
		return nil, nil
	}
	erased := byte(0xFF)
	if p.Map != nil {
		erased = p.Map.Image.Erased
	}
	var out []markView
	least := uint64(max(64, ax.perPx))
	for _, s := range im.Segments() {
		run := image.Range{Start: s.Start}
		flush := func() {
			if run.Size >= least {
				out = append(out, ax.mark(run, 0))
			}
		}
		err := im.Blocks(s, func(addr uint64, block []byte) error {
			for i, b := range block {
				if b == erased {
					run.Size++
					continue
				}
				flush()
				run = image.Range{Start: addr + uint64(i) + 1}
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
		flush()
	}
	return out, nil
}

// changeMarks draws the changed stretches, joined where they would overlap.
func changeMarks(p page, ax axis) []markView {
	if p.diff == nil {
		return nil
	}
	var out []markView
	for _, c := range p.diff.Changes {
		out = joinMark(out, ax.mark(c.Range, minMarkHeight))
	}
	return out
}

func faultMarks(p page, ax axis) []markView {
	var ranges []image.Range
	add := func(fs []evidence.Finding) {
		for _, f := range fs {
			if f.Severity != evidence.Note {
				ranges = append(ranges, f.Ranges...)
			}
		}
	}
	add(p.findings)
	if p.gate != nil {
		for _, c := range p.gate.Conditions {
			add(c.Findings)
		}
	}
	rules := p.rules
	if p.diff != nil {
		for _, c := range p.diff.Checksums {
			rules = append(rules, c.After)
		}
	}
	for _, r := range rules {
		if r.Verdict == evidence.Fail {
			switch {
			case r.Field != nil:
				ranges = append(ranges, *r.Field)
			case r.Cell != nil:
				ranges = append(ranges, *r.Cell)
			default:
				ranges = append(ranges, r.Cover...)
			}
		}
	}
	var out []markView
	for _, r := range image.MergeRanges(ranges) {
		out = joinMark(out, ax.mark(r, minMarkHeight))
	}
	return out
}

func joinMark(marks []markView, m markView) []markView {
	if n := len(marks); n > 0 {
		if last := &marks[n-1]; m.Y < last.Y+last.H+1 {
			last.H = round1(max(last.H, m.Y+m.H-last.Y))
			return marks
		}
	}
	return append(marks, m)
}

var roleText = []legendView{
	{"boot", "boot: starts the controller"},
	{"program", "program"},
	{"calibration", "calibration: values and tables"},
	{"identity", "identity: numbers and names"},
	{"adaptation", "adaptation: learnt by the controller"},
	{"signature", "signature"},
	{"unused", "unused"},
	{"unmapped", "no region of a map"},
}

// pattern names the drawing of a role; a role that is none of the map language
// is drawn like memory without a map.
func pattern(role maps.Role) string {
	for _, l := range roleText {
		if l.Role == string(role) {
			return l.Role
		}
	}
	return "unmapped"
}

func legend(roles map[string]bool, erased, changed, faults bool) []legendView {
	var out []legendView
	for _, l := range roleText {
		if roles[l.Role] {
			out = append(out, l)
		}
	}
	if erased {
		out = append(out, legendView{"erased", "erased fill"})
	}
	if changed {
		out = append(out, legendView{"changed", "changed"})
	}
	if faults {
		out = append(out, legendView{"fault", "needs attention"})
	}
	return out
}

// logSummary says in words what the drawing shows.
func logSummary(p page, pieces []image.Range) string {
	parts := []string{evidence.Count(image.TotalSize(pieces), "byte") + " from " + fmt.Sprintf("0x%X", pieces[0].Start) + " to " + fmt.Sprintf("0x%X", pieces[len(pieces)-1].Last())}
	if p.diff != nil {
		var where []string
		for _, r := range p.diff.Regions {
			if r.Bytes > 0 && len(where) < 8 {
				where = append(where, clip(r.Name, maxName)+": "+evidence.Count(r.Bytes, "byte"))
			}
		}
		if len(where) > 0 {
			parts = append(parts, "changed in "+strings.Join(where, "; "))
		} else if p.diff.BytesChanged == 0 {
			parts = append(parts, "nothing changed")
		}
	}
	return "The memory drawn to scale, lowest address at the top: " + strings.Join(parts, "; ") + "."
}
