// Package evidence holds the words in which every part of calproof reports:
// findings about an image and the verdict they lead to.
//
// # Glossary
//
//   - finding: one fact about an image, with a code that stays the same from
//     release to release, a severity, a sentence and the addresses.
//   - severity: how much a finding weighs. A fault disproves, a caution keeps a
//     verdict from being pass, a note changes none.
//   - verdict: what the findings lead to. Unproven is never rounded up to pass:
//     [Combine] and [Judge] are the only ways to one verdict from several facts.
package evidence

import (
	"fmt"
	"slices"

	"example.com/calproof/image"
)

// Severity says how much a finding weighs.
type Severity string

const (
	Note    Severity = "note"    // worth knowing, changes no verdict
	Caution Severity = "caution" // keeps a verdict from being pass until somebody has judged it
	Fault   Severity = "fault"   // disproves what was to be proved
)

// Finding is one fact about an image.
type Finding struct {
	Code     string        `json:"code"` // stable, lower case, words joined by hyphens: "checksum-mismatch"
	Severity Severity      `json:"severity"`
	Message  string        `json:"message"`          // one sentence: what was measured, where, what to do next
	Region   string        `json:"region,omitempty"` // name of the region it lies in, if a map names one
	Ranges   []image.Range `json:"ranges,omitempty"` // the addresses it is about
}

func (f Finding) String() string {
	return fmt.Sprintf("%s: %s (%s)", f.Severity, f.Message, f.Code)
}

// Verdict is the outcome of an examination. The zero value is invalid, so that
// a verdict nobody reached cannot be taken for one.
type Verdict string

const (
	Pass     Verdict = "pass"     // proved
	Fail     Verdict = "fail"     // disproved
	Unproven Verdict = "unproven" // nothing wrong was found, but the evidence is not enough
)

// Combine returns the verdict of several that must all hold: fail if any
// fails, else unproven if any is unproven (or invalid), else pass. No verdict
// at all is unproven: nothing was proved.
func Combine(verdicts ...Verdict) Verdict {
	if len(verdicts) == 0 {
		return Unproven
	}
	if slices.Contains(verdicts, Fail) {
		return Fail
	}
	for _, v := range verdicts {
		if v != Pass {
			return Unproven
		}
	}
	return Pass
}

// Judge returns the verdict that findings allow: fail if any is a fault,
// unproven if any is a caution, pass otherwise. A caller that could not judge
// everything combines the result with [Unproven].
func Judge(findings []Finding) Verdict {
	v := Pass
	for _, f := range findings {
		switch f.Severity {
		case Fault:
			return Fail
		case Caution:
			v = Unproven
		}
	}
	return v
}
