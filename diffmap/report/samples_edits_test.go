package report

import (
	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/edits"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

func sampleExplanation() *edits.Explanation {
	return &edits.Explanation{
		Recognised: []edits.Recognised{
			{Edit: "warm-up idle", Ranges: []image.Range{rng(0x70120, 4)}, Shift: true},
			{Edit: "speed limit", Undone: true, Ranges: []image.Range{rng(0x70200, 2)}},
		},
		Ignored: []image.Range{rng(0x7FFFC, 4)}, Unexplained: []image.Range{rng(0x71000, 3)}, Bytes: 3,
	}
}

func sampleFound() []edits.Found {
	stretch := func(state edits.State, c edits.Confidence) edits.FoundStretch {
		return edits.FoundStretch{Recorded: rng(0x70120, 4), At: rng(0x70120, 4), State: state, Confidence: c}
	}
	moved := stretch(edits.Present, edits.OneAnchor)
	moved.At, moved.Shift, moved.As.After = rng(0x70160, 4), 0x40, []image.Range{rng(0x70160, 4)}
	partly := stretch(edits.Partly, edits.BothAnchors)
	partly.As = edits.Split{After: []image.Range{rng(0x70120, 2)}, Before: []image.Range{rng(0x70123, 1)}}
	over := stretch(edits.Overlaid, edits.AddressOnly)
	over.As.After, over.As.Under, over.Over = []image.Range{rng(0x70120, 2)}, []image.Range{rng(0x70122, 2)}, []string{"warm-up idle"}
	changed := stretch(edits.Different, edits.Ambiguous)
	changed.As.Neither = []image.Range{rng(0x70120, 4)}
	return []edits.Found{
		{Edit: "warm-up idle", State: edits.Present, Stretches: []edits.FoundStretch{moved}},
		{Edit: "speed limit", State: edits.Partly, Stretches: []edits.FoundStretch{partly}},
		{Edit: "older idle", State: edits.Overlaid, Stretches: []edits.FoundStretch{over}},
		{Edit: "other idle", State: edits.Different, Stretches: []edits.FoundStretch{changed}},
		{Edit: "lights", State: edits.Absent, Stretches: []edits.FoundStretch{stretch(edits.Absent, edits.BothAnchors)}},
	}
}

func sampleReseal() ResealData {
	return ResealData{Image: "edited-stale.bin", Output: "sealed.bin", Original: "backup.bin", Map: summary, Refused: []evidence.Finding{},
		Resealing: &diffmap.Resealing{
			Fields:   []diffmap.SealedField{{Rule: "calibration CRC", Range: rng(0x7FFFC, 4), Region: "drive calibration", Before: "00112233", After: "CDAB3412"}},
			Rules:    []maps.RuleResult{rulePass},
			Original: true, Accepted: map[string]string{"drive calibration": "agreed with the owner"},
			Findings:  []evidence.Finding{caution},
			Cautioned: []diffmap.Caution{{Code: diffmap.CautionChecksum, Message: "A checksum that agrees is no promise."}},
		}}
}
