package diffmap

import (
	"slices"

	"example.com/calproof/maps"
)

// Codes of cautions. Those of tags are findings of a comparison too.
const (
	CautionChecksum    = "checksum-is-no-permission" // always
	CautionSignature   = "signature"                 // the map names a signature region
	CautionEmissions   = "tag-emissions"
	CautionImmobiliser = "tag-immobiliser"
	CautionSafety      = "tag-safety"
)

var tagCautions = []struct {
	tag           maps.Tag
	code, message string
}{
	{maps.TagSafety, CautionSafety,
		"Values that protect people changed: speed, brakes, steering or the protection of the engine may act differently. " +
			"Have a second person check the change, try the machine first where nobody can be hurt, " +
			"and leave the work to trained or licensed people where the law wants them."},
	{maps.TagEmissions, CautionEmissions,
		"Values that bear on emissions changed. Many places forbid that, some also for machines that never see a road. " +
			"Find out what the law says where the machine runs before you write."},
	{maps.TagImmobiliser, CautionImmobiliser,
		"Values the immobiliser relies on changed. If controller and key no longer know each other the engine does not start, " +
			"and this program cannot mend it. Leave them as they were unless you hold the right to change them and the means to pair again."},
}

// ofTags returns what the tags of changed regions call for.
func ofTags(diff *Result) []Caution {
	var out []Caution
	for _, t := range tagCautions {
		var names []string
		for _, r := range diff.Regions {
			if r.Touched() && slices.Contains(r.Tags, t.tag) {
				names = append(names, r.Name)
			}
		}
		if names != nil {
			out = append(out, Caution{Code: t.code, Message: t.message, Regions: names})
		}
	}
	return out
}

// cautions returns what the tags of changed regions call for, and what the gate
// cannot judge.
func cautions(m *maps.Map, diff *Result) []Caution {
	out := ofTags(diff)
	var signed []string
	for _, r := range m.Regions {
		if r.Role == maps.RoleSignature && len(r.Cover) == 0 { // what a known one covers is judged
			signed = append(signed, r.Name)
		}
	}
	if signed != nil && diff.BytesChanged > 0 {
		out = append(out, Caution{Code: CautionSignature, Regions: signed, Message: "The map names a signature and does not say which bytes it covers. " +
			"If it covers changed bytes the controller refuses the image, whatever the checksums say, and only the holder of the key can sign. Find out before you write."})
	}
	return append(out, Caution{Code: CautionChecksum, Message: "A checksum that agrees is no promise that the controller accepts the image: " +
		"it may ask for a signature, an unlocked security access or a check this map does not name."})
}
