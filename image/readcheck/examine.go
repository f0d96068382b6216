package readcheck

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Report is the outcome of examining one read.
type Report struct {
	Verdict   evidence.Verdict   `json:"verdict"`
	Findings  []evidence.Finding `json:"findings"`
	NotJudged []string           `json:"not_judged,omitempty"` // what could not be judged, and why
}

// examiner runs the checks on one image and collects what they find.
type examiner struct {
	m        *maps.Map
	c        *content
	lim      limits
	findings []evidence.Finding
	unjudged []string

	lineFaults []lineFault        // findings about address lines, for fold
	alike      []evidence.Finding // findings about lanes that read alike, for fold

	other     *kind           // what the image is instead of a memory, if it says so and is no shorter than it says
	signless  bool            // the image has a size that hardly any memory has, and shows no sign of one
	fileEnd   int             // where a file that says itself what it is ends, by its own header; 0 if it does not say
	wholeLine map[string]bool // codes of address line findings that hold for the whole image
	exchanged []exchange      // address lines that seem to be exchanged
	ordered   int             // address lines below this one are not: a rule proves it
}

func (x *examiner) found(code string, sev evidence.Severity, ranges []image.Range, format string, args ...any) {
	x.findings = append(x.findings, evidence.Finding{
		Code: code, Severity: sev, Message: evidence.Sprintf(format, args...), Ranges: ranges,
	})
}

// holdsWhole notes that a finding about address lines holds for the whole image.
func (x *examiner) holdsWhole(code string) {
	if x.wholeLine == nil {
		x.wholeLine = map[string]bool{}
	}
	x.wholeLine[code] = true
}

func (x *examiner) skipped(format string, args ...any) {
	x.unjudged = append(x.unjudged, evidence.Sprintf(format, args...))
}

// part is a stretch of the image that is judged on its own.
type part struct {
	r     image.Range
	name  string
	whole bool
	inner bool // a window of a region that is a part itself
}

// partWindow is the size of the parts into which an image without a map is
// cut for the checks that look at parts. Chips and their banks are larger.
const partWindow = 64 << 10

// parts returns the whole image first, then the regions of the map that should
// hold content, and the windows of partWindow bytes that larger ones have; all
// windows without a map.
func (x *examiner) parts() []part {
	if len(x.c.spans) == 0 {
		return nil
	}
	first, last := x.c.spans[0], x.c.spans[len(x.c.spans)-1]
	whole := image.Range{Start: first.start, Size: last.start + uint64(len(last.data)) - first.start}
	parts := []part{{r: whole, name: "the whole image", whole: true}}
	if x.m != nil {
		for _, r := range x.m.Regions {
			if r.Content == maps.ContentExpected {
				parts = append(parts, part{r: r.Range, name: fmt.Sprintf("region %q", r.Name)})
			}
		}
		for _, r := range x.m.Regions {
			if r.Content != maps.ContentExpected {
				continue
			}
			for at := (r.Range.Start + partWindow - 1) &^ (partWindow - 1); at >= r.Range.Start && at < r.Range.Last() && r.Range.Last()-at >= partWindow-1; at += partWindow {
				if w := (image.Range{Start: at, Size: partWindow}); w != r.Range {
					parts = append(parts, part{r: w, name: w.String(), inner: true})
				}
			}
		}
		return parts
	}
	for _, s := range x.c.spans {
		for at := 0; at < len(s.data); at += partWindow {
			r := s.rng(at, min(at+partWindow, len(s.data)))
			parts = append(parts, part{r: r, name: r.String()})
		}
	}
	return parts
}

// sortFindings puts faults first, then cautions, then notes; within each, what
// names a cause before the checksums and fields that suffer from it, then by
// address and code.
func sortFindings(f []evidence.Finding) {
	weight := map[evidence.Severity]int{evidence.Fault: 0, evidence.Caution: 1, evidence.Note: 2}
	suffers := func(f evidence.Finding) int {
		if strings.HasPrefix(f.Code, "checksum-") || strings.HasPrefix(f.Code, "identity-") {
			return 1
		}
		return 0
	}
	start := func(f evidence.Finding) uint64 {
		if len(f.Ranges) == 0 {
			return 0
		}
		return f.Ranges[0].Start
	}
	slices.SortStableFunc(f, func(a, b evidence.Finding) int {
		return cmp.Or(cmp.Compare(weight[a.Severity], weight[b.Severity]), cmp.Compare(suffers(a), suffers(b)),
			cmp.Compare(start(a), start(b)), cmp.Compare(a.Code, b.Code))
	})
}
