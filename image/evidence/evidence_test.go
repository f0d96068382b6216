package evidence_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"example.com/calproof/image/evidence"
)

const (
	pass     = evidence.Pass
	fail     = evidence.Fail
	unproven = evidence.Unproven
	invalid  = evidence.Verdict("") // nobody reached one
)

// Every pair, so that no order of arguments rounds a verdict up. The table is
// the definition: fail outweighs unproven, unproven outweighs pass, and a
// verdict nobody reached is not pass.
func TestCombine(t *testing.T) {
	all := []evidence.Verdict{pass, fail, unproven, invalid}
	want := [4][4]evidence.Verdict{
		{pass, fail, unproven, unproven},
		{fail, fail, fail, fail},
		{unproven, fail, unproven, unproven},
		{unproven, fail, unproven, unproven},
	}
	for i, a := range all {
		for k, b := range all {
			assert.Equal(t, want[i][k], evidence.Combine(a, b), "%q with %q", a, b)
		}
	}
	assert.Equal(t, unproven, evidence.Combine(), "nothing proved is no pass")
	assert.Equal(t, pass, evidence.Combine(pass))
	assert.Equal(t, unproven, evidence.Combine(invalid))
	assert.Equal(t, fail, evidence.Combine(pass, pass, unproven, fail))
}

func TestJudge(t *testing.T) {
	of := func(list ...evidence.Severity) evidence.Verdict {
		var findings []evidence.Finding
		for _, s := range list {
			findings = append(findings, evidence.Finding{Severity: s})
		}
		return evidence.Judge(findings)
	}
	assert.Equal(t, pass, of())
	assert.Equal(t, pass, of(evidence.Note, evidence.Note))
	assert.Equal(t, unproven, of(evidence.Note, evidence.Caution))
	assert.Equal(t, fail, of(evidence.Caution, evidence.Fault))
	assert.Equal(t, fail, of(evidence.Fault, evidence.Caution, evidence.Note))
}
