package report

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
)

// Whether reads agree and whether what they hold is good are two things, and the
// headline says "do not agree" of the first only.
func TestAgreeHeadline(t *testing.T) {
	const pass, fail, unproven = evidence.Pass, evidence.Fail, evidence.Unproven
	for _, tc := range []struct {
		agree, whole evidence.Verdict
		want         string
	}{
		{pass, pass, "2 reads agree"},
		{pass, fail, "2 reads agree, but what they hold is not a good read"},
		{pass, unproven, "2 reads agree, but what they hold is not proved"},
		{fail, fail, "2 reads do not agree"},
		{unproven, fail, "2 reads may agree, but the first is not a good read"},
		{unproven, unproven, "2 reads may agree, but it is not proved"},
		{"", unproven, "2 reads may agree, but it is not proved"},
	} {
		d := AgreeData{Reads: []string{"a", "b"}, Agreement: &readcheck.Agreement{Verdict: tc.whole, Agree: tc.agree}}
		assert.Equal(t, tc.want, "2 reads "+d.headline())
	}
}

func TestReadbackHeadline(t *testing.T) {
	for code, want := range map[string]string{
		readcheck.CodeReadbackCoverage: "the controller holds what was written, but not all",
		readcheck.CodeReadbackDiffers:  "the controller may not hold what was written",
	} {
		var b strings.Builder
		d := ReadbackData{Readback: &readcheck.Readback{Verdict: evidence.Unproven, Findings: []evidence.Finding{{Code: code, Severity: evidence.Caution}}}}
		assert.NoError(t, Text(&b, New("0", d), Options{}))
		assert.Contains(t, b.String(), want)
	}
}
