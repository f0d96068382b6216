package diffmap

import (
	"fmt"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

// say adds a line of evidence and the verdict it leads to.
func (c *Condition) say(v evidence.Verdict, format string, args ...any) {
	c.Evidence = append(c.Evidence, evidence.Sprintf(format, args...))
	if c.Verdict == "" {
		c.Verdict = v
	} else {
		c.Verdict = evidence.Combine(c.Verdict, v)
	}
}

// find adds a finding, its message as a line of evidence, and the verdict its
// severity leads to.
func (c *Condition) find(f evidence.Finding) {
	c.Findings = append(c.Findings, f)
	c.say(evidence.Judge([]evidence.Finding{f}), "%s", f.Message)
}

// findf is find for a finding about no addresses.
func (c *Condition) findf(code string, severity evidence.Severity, format string, args ...any) {
	c.find(evidence.Finding{Code: code, Severity: severity, Message: evidence.Sprintf(format, args...)})
}

// originalProved judges the original by its examination, by the agreement with
// the second read, nil for none, and by what an archive proves, nil for no archive.
func originalProved(in GateInput, read *readcheck.Report, agreed *readcheck.Agreement, a *ArchiveEvidence) Condition {
	c := Condition{Code: ConditionOriginal, Title: "the original is a proved backup"}
	c.say(read.Verdict, "examination of the original read by itself: %s", read.Verdict)
	for _, f := range read.Findings {
		if f.Severity == evidence.Note {
			continue
		}
		c.find(f)
	}
	if read.Verdict != evidence.Pass {
		for _, reason := range read.NotJudged {
			c.findf(CodeNotJudged, evidence.Caution, "could not be judged: %s", reason)
		}
	}

	repeated := evidence.Unproven // by a second read
	if in.SecondRead != nil {
		if agreed == nil {
			c.findf(CodeSameRead, evidence.Caution, "the second read is the original itself; read the controller again")
		} else {
			repeated = agreed.Agree // what they hold is judged above
			differences := agreed.Differences()
			c.Findings = append(c.Findings, differences...)
			line := "second read: agrees with the original"
			switch repeated {
			case evidence.Fail:
				line = "second read: disagrees with the original"
			case evidence.Unproven:
				line = "second read: agreement is unproven"
			}
			c.Evidence = append(c.Evidence, line)
			for _, f := range differences {
				c.Evidence = append(c.Evidence, f.Message)
			}
			if repeated == evidence.Pass && agreed.Differ == 0 {
				c.findf(CodeIdenticalRead, evidence.Note, "the second read equals the original in every byte; make sure that it is a read of its own and no copy of the file")
			}
		}
	}
	archived := evidence.Unproven // by an archive entry
	if a != nil {
		archived = evidence.Combine(a.Verified, a.Kept, a.Restorable)
		line := fmt.Sprintf("archive entry %q: its hashes: %s; the verdict it was kept with: %s; same bytes as the original: %s", a.Entry, a.Verified, a.Kept, a.Restorable)
		c.Evidence = append(c.Evidence, line)
		f := evidence.Finding{Code: CodeArchiveEntry, Message: line}
		switch {
		case archived == evidence.Fail:
			f.Severity = evidence.Fault
			c.Findings = append(c.Findings, f)
		case archived == evidence.Unproven && repeated != evidence.Pass:
			f.Severity = evidence.Caution
			c.Findings = append(c.Findings, f)
		}
	}
	// One proof of repetition is enough, but a disproof of either kind counts.
	switch {
	case repeated == evidence.Fail || archived == evidence.Fail:
		c.Verdict = evidence.Fail
	case repeated == evidence.Pass || archived == evidence.Pass:
	default:
		c.Verdict = evidence.Combine(c.Verdict, evidence.Unproven)
		if in.SecondRead == nil && a == nil {
			c.findf(CodeNoRepeat, evidence.Caution, "one read alone proves no backup; give a second read of the same controller, or an archive entry that verifies")
		}
	}
	return c
}

func coverageSame(diff *Result, expected []evidence.Finding) Condition {
	c := Condition{Code: ConditionCoverage, Title: "the modified image covers the same addresses"}
	differ := coverageFindings(diff, evidence.Fault)
	if len(differ) == 0 {
		c.say(evidence.Pass, "both images hold the same addresses")
	}
	for _, f := range differ {
		c.find(f)
	}
	for _, f := range expected {
		c.find(f)
	}
	return c
}

// checksumsHold judges the rules; broken is what brokenSignatures found, and
// predicted what predict returned.
func checksumsHold(diff *Result, broken []evidence.Finding, predicted []maps.Prediction) Condition {
	c := Condition{Code: ConditionChecksums, Title: "every checksum rule holds in the modified image"}
	for _, f := range broken {
		c.find(f)
	}
	if len(diff.Checksums) == 0 {
		c.findf(CodeNoChecksumRules, evidence.Caution, "the map has no checksum rule, so nothing was proved; add the rules of this controller to the map")
		return c
	}
	pass := 0
	for _, r := range diff.Checksums {
		if r.After.Verdict == evidence.Pass {
			pass++
		}
	}
	c.say(evidence.Pass, "%d of %s agree", pass, evidence.Count(uint64(len(diff.Checksums)), "rule"))
	for _, r := range diff.Checksums {
		if r.After.Verdict == evidence.Pass {
			continue
		}
		f := r.After.Finding()
		c.Findings = append(c.Findings, f)
		c.say(r.After.Verdict, "%s", f.Message)
	}
	c.sayTwoWays(diff, predicted)
	return c
}

// brokenSignatures returns a finding for every signature that covers a changed
// byte, as far as the map says what it covers.
func brokenSignatures(m *maps.Map, diff *Result) []evidence.Finding {
	var out []evidence.Finding
	for i, r := range m.Regions {
		if hit := &diff.signed[i]; hit.total > 0 {
			out = append(out, evidence.Finding{Code: CodeSignatureBroken, Severity: evidence.Fault, Region: r.Name, Ranges: hit.ranges,
				Message: fmt.Sprintf("signature %q covers bytes that changed: %s; the controller refuses the image, and only the holder of the key can sign it anew",
					r.Name, evidence.RangesOf(hit.ranges, hit.omitted()))})
		}
	}
	return out
}

func editsAllowed(diff *Result, accepted map[string]string) Condition {
	c := Condition{Code: ConditionEdits, Title: "every changed byte lies where the map allows an edit"}
	if diff.BytesChanged == 0 {
		c.say(evidence.Pass, "no byte changed")
	}
	used := map[string]bool{}
	for _, r := range diff.Regions {
		if r.Bytes == 0 {
			continue
		}
		where := evidence.RangesOf(r.Ranges, r.Omitted)
		f := evidence.Finding{Severity: evidence.Fault, Region: r.Name, Ranges: r.Ranges}
		reason, isAccepted := accepted[r.Name]
		switch {
		case r.Outside:
			f.Code, f.Region = CodeChangedOutside, ""
			f.Message = fmt.Sprintf("%s changed that no region of the map names: %s; describe them in the map or undo the change", evidence.Count(r.Bytes, "byte"), where)
		case protected(r.Role):
			f.Code = CodeChangedProtected
			f.Message = fmt.Sprintf("%s of %s region %q changed: %s; no acceptance covers a %s region", evidence.Count(r.Bytes, "byte"), r.Role, r.Name, where, r.Role)
		case r.Edit == maps.EditAllowed:
			c.say(evidence.Pass, "%s changed in %q, whose edit is allowed", evidence.Count(r.Bytes, "byte"), r.Name)
			continue
		case r.Edit == maps.EditAsk && isAccepted:
			used[r.Name] = true
			f.Code, f.Severity = CodeEditAccepted, evidence.Note
			f.Message = fmt.Sprintf("%s changed in %q, accepted with the reason: %s", evidence.Count(r.Bytes, "byte"), r.Name, reason)
		case r.Edit == maps.EditAsk:
			f.Code, f.Severity = CodeEditNotAccepted, evidence.Caution
			f.Message = fmt.Sprintf("%s changed in %q, whose edit must be accepted by name with a reason: %s", evidence.Count(r.Bytes, "byte"), r.Name, where)
		default:
			f.Code = CodeChangedForbidden
			f.Message = fmt.Sprintf("%s changed in %q, whose edit is forbidden: %s; undo the change, or say edit = \"ask\" in the map if you know better", evidence.Count(r.Bytes, "byte"), r.Name, where)
		}
		c.find(f)
	}
	for _, r := range diff.Regions {
		if _, ok := accepted[r.Name]; ok && !used[r.Name] && !r.Outside {
			c.find(evidence.Finding{Code: CodeAcceptanceUnused, Severity: evidence.Note, Region: r.Name,
				Message: fmt.Sprintf("the acceptance of %q has no effect: %s", r.Name, whyUnused(r))})
		}
	}
	return c
}

func whyUnused(r RegionChange) string {
	switch {
	case protected(r.Role):
		return fmt.Sprintf("a %s region cannot be accepted", r.Role)
	case r.Edit == maps.EditForbidden:
		return "its edit is forbidden"
	case r.Edit == maps.EditAllowed:
		return "its edit is allowed anyway"
	}
	return "none of its bytes changed"
}

func protectedUntouched(m *maps.Map, diff *Result) Condition {
	c := Condition{Code: ConditionProtected, Title: "boot, program, identity and signature bytes are untouched"}
	whole := uint64(0)
	for _, r := range diff.Regions {
		switch {
		case r.Outside && r.Bytes > 0:
			c.find(evidence.Finding{Code: CodeChangedOutside, Severity: evidence.Caution, Ranges: r.Ranges,
				Message: fmt.Sprintf("%s changed that no region names: what they are cannot be told", evidence.Count(r.Bytes, "byte"))})
		case protected(r.Role) && r.Bytes > 0:
			c.find(evidence.Finding{Code: CodeChangedProtected, Severity: evidence.Fault, Region: r.Name, Ranges: r.Ranges,
				Message: fmt.Sprintf("%s of %s region %q changed: %s", evidence.Count(r.Bytes, "byte"), r.Role, r.Name, evidence.RangesOf(r.Ranges, r.Omitted))})
		case protected(r.Role):
			whole += r.Size
		}
	}
	for _, i := range diff.Identity {
		if i.Changed {
			c.find(identityFinding(i, evidence.Fault))
		}
	}
	if c.Verdict == "" {
		n := uint64(0)
		for _, r := range m.Regions {
			if protected(r.Role) {
				n++
			}
		}
		c.say(evidence.Pass, "%s with %s are unchanged, and %s",
			evidence.Count(n, "protected region"), evidence.Count(whole, "byte"), evidence.Count(uint64(len(diff.Identity)), "identity field"))
	}
	return c
}

func tablesInLimits(diff *Result, tables []maps.TableValue) Condition {
	c := Condition{Code: ConditionTables, Title: "table cells stay in their declared limits"}
	changed := map[string][]int{}
	changedCells := 0
	for _, t := range diff.Tables {
		changed[t.After.Name] = t.Cells
		changedCells += len(t.Cells)
	}
	judged, cells, unlimited := 0, 0, 0
	for _, t := range tables {
		if t.Problem != "" {
			c.find(undecodedFinding(t))
			continue
		}
		if t.Min == nil && t.Max == nil {
			unlimited += len(changed[t.Name])
			continue
		}
		judged++
		cells += len(t.Cells)
		for i, cell := range t.Cells {
			if !cell.Outside {
				continue
			}
			if _, ok := slices.BinarySearch(changed[t.Name], i); ok {
				c.find(cellFinding(t, i, CodeCellOutside, evidence.Fault))
			} else {
				c.find(cellFinding(t, i, CodeCellOutsideBefore, evidence.Caution))
			}
		}
	}
	if c.Verdict == "" && judged > 0 {
		c.say(evidence.Pass, "all %s of the %s with declared limits, changed or not, lie within them",
			evidence.Count(uint64(cells), "cell"), evidence.Count(uint64(judged), "table"))
	}
	switch {
	case judged == 0 && diff.BytesChanged > 0:
		c.findf(CodeNoLimits, evidence.Caution, "the map declares no limits for any table, so nothing was judged; give min and max")
	case judged == 0 && c.Verdict == "":
		c.say(evidence.Pass, "no byte changed, and the map declares no limits")
	case unlimited > 0:
		c.findf(CodeNoLimits, evidence.Note, "%s changed in tables without declared limits: not judged", evidence.Count(uint64(unlimited), "cell"))
	}
	if n := outsideTables(diff, tables); n > 0 {
		c.findf(CodeNoLimits, evidence.Note, "%s changed that belong to no table, axis or field of a checksum: no limits are known for them", evidence.Count(n, "byte"))
	}
	return c
}

// outsideTables returns how many changed bytes lie in no table, axis or
// field of a checksum rule, of the changes that diff lists. The gate joins no changes, so
// every byte of a range differs.
func outsideTables(diff *Result, tables []maps.TableValue) uint64 {
	var known []image.Range
	for _, t := range tables {
		known = append(known, t.Range)
		for _, a := range []*maps.Axis{t.X, t.Y} {
			if a != nil {
				known = append(known, a.Ranges...)
			}
		}
	}
	for _, r := range diff.Checksums {
		for _, f := range []*image.Range{r.After.Field, r.After.Cell} {
			if f != nil {
				known = append(known, *f)
			}
		}
	}
	var changed []image.Range
	for _, ch := range diff.Changes {
		changed = append(changed, ch.Range)
	}
	return image.TotalSize(image.SubtractRanges(changed, known))
}

func backupRestorable(a *ArchiveEvidence) Condition {
	c := Condition{Code: ConditionRestorable, Title: "the backup can be restored from the archive, byte for byte"}
	if a == nil {
		c.findf(CodeNoArchive, evidence.Caution, "no archive was given, so nothing proves that the backup can be restored")
		return c
	}
	line := fmt.Sprintf("archive entry %q: same bytes as the original: %s; its hashes: %s", a.Entry, a.Restorable, a.Verified)
	if a.Detail != "" {
		line += "; " + a.Detail
	}
	switch v := evidence.Combine(a.Restorable, a.Verified); v {
	case evidence.Pass:
		c.say(v, "%s", line)
	case evidence.Fail:
		c.findf(CodeNotRestorable, evidence.Fault, "%s", line)
	default:
		c.findf(CodeNotRestorable, evidence.Caution, "%s", line)
	}
	return c
}
