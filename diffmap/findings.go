package diffmap

import (
	"fmt"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Codes of the findings of this package. They are stable: scripts may rely on
// them.
const (
	CodeNothingChanged    = "nothing-changed"         // original and modified are equal
	CodeCoverageAppeared  = "coverage-appeared"       // the modified image holds bytes the original does not
	CodeCoverageVanished  = "coverage-vanished"       // the original holds bytes the modified image does not
	CodeChangedRegion     = "changed-region"          // bytes of a region differ
	CodeChangedOutside    = "changed-outside-regions" // bytes that no region names differ
	CodeChangedForbidden  = "changed-forbidden"       // bytes of a region whose edit is forbidden differ
	CodeChangedProtected  = "changed-protected"       // bytes of a boot, program, identity or signature region differ
	CodeChangedIdentity   = "changed-identity-field"  // bytes of an identity field differ
	CodeEditNotAccepted   = "edit-not-accepted"       // the map says ask, and nobody has accepted
	CodeEditAccepted      = "edit-accepted"           // the map says ask, and somebody has accepted, with a reason
	CodeAcceptanceUnused  = "acceptance-unused"       // a region was accepted that did not need or cannot have it
	CodeCellOutside       = "cell-outside-limits"     // a changed cell lies outside the declared limits
	CodeCellOutsideBefore = "cell-outside-before"     // an unchanged cell lies outside the declared limits
	CodeTableUndecoded    = "table-undecoded"         // a table could not be decoded
	CodeNoLimits          = "no-limits"               // no limits are declared where something changed
	CodeNoChecksumRules   = "no-checksum-rules"       // the map has no checksum rule
	CodeNoMap             = "no-region-map"           // no region map was given
	CodeNoRepeat          = "no-second-read"          // neither a second read nor a proved archive entry
	CodeSameRead          = "second-read-same-image"  // the second read is the original itself
	CodeIdenticalRead     = "second-read-identical"   // the second read equals the original in every byte, as a copy of the file would
	CodeArchiveEntry      = "archive-entry"           // an archive entry that does not verify or was never proved
	CodeNotRestorable     = "not-restorable"          // the archive does not give the original back
	CodeNoArchive         = "no-archive"              // no archive was given
	CodeSupplyMissing     = "supply-missing"          // the supply voltage is not stated
	CodeLatencyMissing    = "latency-missing"         // the adapter latency is not stated
	CodeSignatureBroken   = "signature-broken"        // bytes that a signature covers differ
	CodeNoOriginal        = "no-original"             // resealed without the image before the edit
	CodeFieldNotAllowed   = "field-not-allowed"       // a stored value that was put right lies where no edit is allowed
	CodeTwoWaysDiffer     = "checksum-two-ways"       // the value of a rule computed from all bytes is not the one that follows from the original's and the changed bytes
	CodeNotJudged         = "not-judged"              // something that could not be judged, and why
)

// protected reports whether bytes of this role may never change.
func protected(role maps.Role) bool {
	switch role {
	case maps.RoleBoot, maps.RoleProgram, maps.RoleIdentity, maps.RoleSignature:
		return true
	}
	return false
}

// Findings says in findings what r holds: a note for every changed region, a
// caution for whatever deserves a second look before anything is written, among it
// what the tags of changed regions call for, and the findings of checksum rules that do not agree in the modified image.
func (r *Result) Findings() []evidence.Finding {
	out := []evidence.Finding{}
	if r.Equal {
		return append(out, evidence.Finding{Code: CodeNothingChanged, Severity: evidence.Note,
			Message: "the two images hold the same bytes at the same addresses"})
	}
	out = append(out, coverageFindings(r, evidence.Caution)...)
	for _, c := range r.Regions {
		if c.Bytes == 0 {
			continue
		}
		f := evidence.Finding{Code: CodeChangedRegion, Severity: evidence.Note, Region: c.Name, Ranges: c.Ranges,
			Message: fmt.Sprintf("%s of region %q changed: %s", evidence.Count(c.Bytes, "byte"), c.Name, evidence.RangesOf(c.Ranges, c.Omitted))}
		switch {
		case c.Outside:
			f.Code, f.Severity, f.Region = CodeChangedOutside, evidence.Caution, ""
			f.Message = fmt.Sprintf("%s changed that no region of the map names: %s", evidence.Count(c.Bytes, "byte"), evidence.RangesOf(c.Ranges, c.Omitted))
		case protected(c.Role):
			f.Code, f.Severity = CodeChangedProtected, evidence.Caution
			f.Message = fmt.Sprintf("%s of %s region %q changed: %s", evidence.Count(c.Bytes, "byte"), c.Role, c.Name, evidence.RangesOf(c.Ranges, c.Omitted))
		}
		out = append(out, f)
	}
	for _, c := range ofTags(r) {
		f := evidence.Finding{Code: c.Code, Severity: evidence.Caution, Message: c.Message}
		for _, region := range r.Regions {
			if slices.Contains(c.Regions, region.Name) {
				f.Ranges = append(f.Ranges, region.Ranges...)
			}
		}
		if len(c.Regions) == 1 {
			f.Region = c.Regions[0]
		} else {
			f.Message += fmt.Sprintf(" Regions: %q.", c.Regions)
		}
		out = append(out, f)
	}
	for _, c := range r.Identity {
		if c.Changed {
			out = append(out, identityFinding(c, evidence.Caution))
		}
	}
	for _, t := range r.Tables {
		for _, cell := range t.Cells {
			if cell < len(t.After.Cells) && t.After.Cells[cell].Outside {
				out = append(out, cellFinding(t.After, cell, CodeCellOutside, evidence.Caution))
			}
		}
		if p := t.After.Problem; p != "" {
			out = append(out, undecodedFinding(t.After))
		}
	}
	for _, c := range r.Checksums {
		if c.After.Verdict != evidence.Pass {
			out = append(out, c.After.Finding())
		}
	}
	return out
}

func coverageFindings(r *Result, severity evidence.Severity) []evidence.Finding {
	var out []evidence.Finding
	if n := image.TotalSize(r.Vanished); n > 0 {
		out = append(out, evidence.Finding{Code: CodeCoverageVanished, Severity: severity, Ranges: r.Vanished,
			Message: fmt.Sprintf("the modified image lacks %s of the original: %s", evidence.Count(n, "byte"), evidence.Ranges(r.Vanished))})
	}
	if n := image.TotalSize(r.Appeared); n > 0 {
		out = append(out, evidence.Finding{Code: CodeCoverageAppeared, Severity: severity, Ranges: r.Appeared,
			Message: fmt.Sprintf("the modified image holds %s that the original does not: %s", evidence.Count(n, "byte"), evidence.Ranges(r.Appeared))})
	}
	return out
}

func identityFinding(c IdentityChange, severity evidence.Severity) evidence.Finding {
	return evidence.Finding{Code: CodeChangedIdentity, Severity: severity, Ranges: []image.Range{c.After.Range},
		Message: fmt.Sprintf("identity field %q changed from %s to %s; a controller that answers with another identity may be refused",
			c.After.Name, quoted(c.Before.Value), quoted(c.After.Value))}
}

func cellFinding(t maps.TableValue, cell int, code string, severity evidence.Severity) evidence.Finding {
	return evidence.Finding{Code: code, Severity: severity, Region: t.Region,
		Ranges: []image.Range{cellRange(t, cell)},
		Message: fmt.Sprintf("table %q, %s: %s lies outside the limits %s",
			t.Name, CellName(t, cell), FormatCell(t, cell), FormatLimits(t))}
}

func undecodedFinding(t maps.TableValue) evidence.Finding {
	f := evidence.Finding{Code: CodeTableUndecoded, Severity: evidence.Caution, Region: t.Region,
		Message: fmt.Sprintf("table %q could not be decoded: %s", t.Name, t.Problem)}
	if t.Range.Size > 0 {
		f.Ranges = []image.Range{t.Range}
	}
	return f
}
