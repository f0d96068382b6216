package readcheck

import (
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Examine runs every check on im. m may be nil: the verdict is then at best
// unproven.
func Examine(m *maps.Map, im *image.Image) (*Report, error) {
	c, err := load(im)
	if err != nil {
		return nil, err
	}
	return examine(m, c, DefaultLimits()), nil
}

func examine(m *maps.Map, c *content, lim Limits) *Report {
	x := &examiner{m: m, c: c, lim: lim}
	x.checkLines()
	x.checkTail()
	verdict := evidence.Judge(x.findings)
	if m == nil {
		x.skipped("without a region map nothing says how large the memory is, what should be where and which checksums must agree; give one with --map")
	}
	if len(x.unjudged) > 0 {
		verdict = evidence.Combine(verdict, evidence.Unproven)
	}
	sortFindings(x.findings)
	return &Report{Verdict: verdict, Findings: x.findings, NotJudged: x.unjudged}
}

// checkLines looks for faults that read the same every time.
func (x *examiner) checkLines() {
	x.checkAddressLines()
	x.checkDataLines()
	x.checkRepeats()
}
