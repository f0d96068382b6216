package readcheck

import (
	"errors"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Agreement is what repeated reads of one controller say about one another.
type Agreement struct {
	Verdict  evidence.Verdict   `json:"verdict"`
	Findings []evidence.Finding `json:"findings"`
}

// Agree compares two or more reads. m may be nil.
func Agree(m *maps.Map, reads ...*image.Image) (*Agreement, error) { return nil, errTODO }

// Report is the outcome of examining one read.
type Report struct {
	Verdict   evidence.Verdict   `json:"verdict"`
	Findings  []evidence.Finding `json:"findings"`
	NotJudged []string           `json:"not_judged,omitempty"` // what could not be judged, and why
}

// Examine runs every check on im. m may be nil: the verdict is then at best unproven.
func Examine(m *maps.Map, im *image.Image) (*Report, error) { return nil, errTODO }

var errTODO = errors.New("readcheck: not written yet")
