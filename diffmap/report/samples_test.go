package report

import (
	gomaps "maps"
	"math"
	"strings"
	"time"

	"example.com/calproof/checksum"
	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

func ptr[T any](v T) *T { return &v }

func rng(start, size uint64) image.Range { return image.Range{Start: start, Size: size} }

var summary = &MapSummary{File: "groomer.toml", Title: "Groomer drive controller, 512 KiB"}

func idleSpeed(first, second float64) maps.TableValue {
	return maps.TableValue{
		Name: "idle speed over coolant temperature", Region: "drive calibration", Unit: "1/min", Rows: 1, Cols: 4, Decimals: 2,
		X: &maps.Axis{Values: []float64{-20, 0, 40, 80}, Unit: "degC", Ranges: []image.Range{rng(0x70100, 4)}},
		Cells: []maps.Cell{{Addr: 0x70120, Raw: int64(first * 4), Value: first}, {Addr: 0x70122, Raw: int64(second * 4), Value: second, Outside: second > 1600},
			{Addr: 0x70124, Raw: 3400, Value: 850}, {Addr: 0x70126, Raw: 3200, Value: 800}},
		Min: ptr(500.0), Max: ptr(1600.0), Range: rng(0x70120, 8),
	}
}

func torque(before bool) maps.TableValue {
	t := maps.TableValue{
		Name: "track torque", Region: "drive calibration", Unit: "Nm", Rows: 2, Cols: 3, Decimals: 0,
		X:     &maps.Axis{Values: []float64{0, 50, 100}, Unit: "%"},
		Y:     &maps.Axis{Values: []float64{1000, 2000}, Unit: "1/min", Ranges: []image.Range{rng(0x70200, 4)}},
		Range: rng(0x70210, 6),
	}
	for i := range 6 {
		t.Cells = append(t.Cells, maps.Cell{Addr: 0x70210 + uint64(i), Raw: int64(10 * i), Value: float64(10 * i)})
	}
	if !before {
		t.Y.Values = []float64{1000, 2200}
		t.Cells[4].Value, t.Cells[4].Raw = math.NaN(), 41
	}
	return t
}

var (
	rulePass = maps.RuleResult{Rule: "calibration CRC", Algorithm: "CRC-32/ISO-HDLC", Cover: []image.Range{rng(0x70000, 0xFFF0), rng(0x7FFF4, 8)},
		Field: ptr(rng(0x7FFFC, 4)), Stored: "0x1234ABCD", Computed: "0x1234ABCD", Verdict: evidence.Pass, Reason: "stored and computed value agree"}
	ruleFail = maps.RuleResult{Rule: "program block sum", Repeat: 2, Algorithm: "SUM-16", Cover: []image.Range{rng(0x10000, 0x8000)},
		Field: ptr(rng(0x17FFE, 2)), Stored: "0x0102", Computed: "0x0A0B", Verdict: evidence.Fail, Reason: "stored 0x0102 at 0x17FFE, computed 0x0A0B", Cell: ptr(rng(0x17000, 2))}
	software = maps.IdentityValue{Name: "software number", Range: rng(0x7FF00, 16), As: "text", Value: "GRM-DRV-0042"}
	chassis  = maps.IdentityValue{Name: "chassis", Range: rng(0x7FF10, 17), As: "VIN", Value: "11111111111111112", Notes: []string{"check digit does not agree; it is mandatory only in North America"}}
	stuck    = evidence.Finding{Code: "address-line-stuck", Severity: evidence.Fault, Message: "address line 14 does not toggle: half of the memory was read twice; check the wiring and read again", Ranges: []image.Range{rng(0x0, 0x80000)}}
	caution  = evidence.Finding{Code: "repeated-block", Severity: evidence.Caution, Message: "the same 256 bytes stand at 3 places", Region: "main program", Ranges: []image.Range{rng(0x1000, 256), rng(0x2000, 256), rng(0x3000, 256)}}
)

func sampleDiff() *diffmap.Result {
	return &diffmap.Result{
		BytesChanged: 13, ChangeCount: 3,
		Changes: []diffmap.Change{
			{Range: rng(0x3000, 1), Bytes: 1, Regions: []string{"main program"}, Before: "00", After: "01"},
			{Range: rng(0x70120, 4), Bytes: 4, Regions: []string{"drive calibration"}, Before: "12c01130", After: "13881194"},
			{Range: rng(0x7FF80, 40), Bytes: 8, Regions: []string{"drive calibration", diffmap.OutsideName}},
		},
		Regions: []diffmap.RegionChange{
			{Name: "boot", Role: maps.RoleBoot, Edit: maps.EditForbidden, Size: 0x1000},
			{Name: "main program", Role: maps.RoleProgram, Edit: maps.EditForbidden, Size: 0x6F000, Bytes: 1, Ranges: []image.Range{rng(0x3000, 1)}},
			{Name: "drive calibration", Role: maps.RoleCalibration, Edit: maps.EditAllowed, Tags: []maps.Tag{maps.TagSafety}, Size: 0xFF00, Bytes: 10,
				Ranges: []image.Range{rng(0x70120, 4), rng(0x7FF80, 6)}, Vanished: 16},
			{Name: diffmap.OutsideName, Bytes: 2, Ranges: []image.Range{rng(0x7FFA6, 1)}, Omitted: 1, Appeared: 32, Outside: true},
		},
		Appeared: []image.Range{rng(0x80000, 32)}, Vanished: []image.Range{rng(0x7FFC0, 16)},
		Tables: []diffmap.TableChange{
			{Before: idleSpeed(1200, 1100), After: idleSpeed(1250, 1650), Cells: []int{0, 1}, Deltas: []*float64{ptr(50.0), ptr(550.0)}},
			{Before: torque(true), After: torque(false), Cells: []int{4}, Deltas: []*float64{nil}, AxesChanged: true},
		},
		Identity: []diffmap.IdentityChange{
			{Before: software, After: maps.IdentityValue{Name: software.Name, Range: software.Range, As: "text", Value: "GRM-DRV-0043"}, Changed: true},
			{Before: chassis, After: chassis},
		},
		Checksums: []diffmap.RuleChange{{Before: rulePass, After: rulePass}, {Before: rulePass, After: ruleFail},
			{Before: maps.RuleResult{Rule: "sum", Algorithm: "SUM-8", Stored: "0x01", Computed: "0x01", Verdict: evidence.Pass},
				After: maps.RuleResult{Rule: "sum", Algorithm: "SUM-8", Stored: "0x02", Computed: "0x02", Verdict: evidence.Pass}}},
	}
}

func sampleGate() GateData {
	took := 62 * time.Minute
	in := diffmap.GateInput{
		Bench:    diffmap.BenchFigures{SupplyVolts: ptr(13.2), AdapterLatencyMS: ptr(0.8), ReadTook: &took},
		Accepted: map[string]string{"learned values": "reset on purpose after the swap", "another": "b"},
	}
	d := Gate("backup.bin", "edited.bin", "second-read.bin", in, &diffmap.GateResult{
		Verdict: evidence.Unproven,
		Conditions: []diffmap.Condition{
			{Code: diffmap.ConditionOriginal, Title: "the original is a proved backup", Verdict: evidence.Pass,
				Evidence: []string{"examination of the original: pass", "second read: agrees with the original"}},
			{Code: diffmap.ConditionRestorable, Title: "the backup can be restored from the archive, byte for byte", Verdict: evidence.Unproven,
				Evidence: []string{"no archive was given, so nothing proves that the backup can be restored"},
				Findings: []evidence.Finding{{Code: diffmap.CodeNoArchive, Severity: evidence.Caution, Message: "no archive was given, so nothing proves that the backup can be restored"}}},
		},
		Cautions: []diffmap.Caution{
			{Code: diffmap.CautionSafety, Message: "Values that protect people changed.", Regions: []string{"drive calibration", "speed limits"}},
			{Code: diffmap.CautionChecksum, Message: "A checksum that agrees is no promise that the controller accepts the image."},
		},
		Diff: sampleDiff(),
	})
	d.Map, d.Saved = summary, "groomer-2/0002-gate-2026-11-25"
	d.Edits = sampleExplanation()
	return d
}

func failedGate() GateData {
	d := sampleGate()
	d.Bench, d.Accepted, d.SecondRead = BenchData{}, []Acceptance{}, ""
	d.GateResult.Verdict = evidence.Fail
	d.Conditions = append(d.Conditions, diffmap.Condition{Code: diffmap.ConditionProtected, Title: "boot, program, identity and signature bytes are untouched",
		Verdict: evidence.Fail, Evidence: []string{"1 byte of program region \"main program\" changed: 0x3000-0x3000"}})
	return d
}

// samples holds every data type, each with every field in use in one of them.
func samples() map[string]Data {
	crc := AlgorithmView{Name: "CRC-32/ISO-HDLC", Aliases: []string{"CRC-32", "PKZIP"}, Family: checksum.FamilyCRC, Width: 32, Check: "0xCBF43926",
		Parameters: "width 32, poly 0x04C11DB7, init 0xFFFFFFFF, reflected in and out, xorout 0xFFFFFFFF", Source: "Greg Cook, Catalogue of parametrised CRC algorithms",
		CRC: &CRCView{Poly: "0x04C11DB7", Init: "0xFFFFFFFF", RefIn: true, RefOut: true, XorOut: "0xFFFFFFFF", Residue: "0xDEBB20E3"}}
	sum := AlgorithmView{Name: "SUM-16", Aliases: []string{}, Family: checksum.FamilySum, Width: 16, Check: "0x01DD", Parameters: "16-bit sum of bytes", Source: "common practice, no source"}
	digest := AlgorithmView{Name: "SHA-256", Aliases: []string{"SHA256"}, Family: checksum.FamilyDigest, Width: 256, Check: "0x15E2B0D3", Parameters: "FIPS 180-4", Source: "FIPS 180-4"}

	verified := &diffmap.Verification{HasMap: true, Verdict: evidence.Pass, Coverage: []evidence.Finding{}, Checksums: []maps.RuleResult{rulePass},
		Read: &readcheck.Report{Verdict: evidence.Pass, Findings: []evidence.Finding{}}, Identity: []maps.IdentityValue{software, chassis}}
	disproved := &diffmap.Verification{HasMap: true, Verdict: evidence.Fail, Coverage: []evidence.Finding{caution}, Checksums: []maps.RuleResult{rulePass, ruleFail},
		Read: &readcheck.Report{Verdict: evidence.Fail, Findings: []evidence.Finding{stuck}, NotJudged: []string{"data lines: no region holds content of more than 4 KiB"}}}
	all := map[string]Data{
		"inspect": InspectData{File: "tracks.hex", FileSize: 2900, SHA256: "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
			SHA1: "a94a8fe5ccb19ba61c4c0873d391e987982fbbd3", MD5: "098f6bcd4621d373cade4e832627b4f6", CRC32: "0xD87F7E0C",
			CouldBe: []FormatGuess{{image.FormatELF, false, "it does not start with the mark"}, {image.FormatIntelHex, true, "it has a line of a colon with hexadecimal digits"}},
			Entropy: ptr(5.125), Parts: []PartEntropy{{"drive calibration", rng(0x70000, 0x10000), 4.5}, {"", rng(0x0, 16), 0}},
			Format: image.FormatIntelHex, Size: 1040, Segments: []image.Range{rng(0x0, 1024), rng(0x8000, 16)}, Gaps: []image.Range{rng(1024, 0x8000-1024)},
			Header: "tracks\x1b[2J", StartAddress: ptr(uint64(0x8000)), Notes: []FileNote{{Line: 12, Message: "the record at 0x10 is given twice with equal bytes", Ranges: []image.Range{rng(0x10, 16)}}, {Message: "start address 0x8000"}},
			Map: summary, Identity: []maps.IdentityValue{software, {Name: "serial", As: "bcd", Value: "1A", Range: rng(0, 1), Problem: "0x1A is no decimal digit pair"}},
			Tables:   []maps.TableValue{idleSpeed(1200, 1100), torque(true), {Name: "broken", Problem: "runs past the end of the image", Range: rng(0, 0)}},
			Coverage: []evidence.Finding{caution}, Strip: []string{"0x0     ########........", "0x8000  #"}},
		"inspect-raw":    InspectData{File: "backup.bin", FileSize: 0x80000, Format: image.FormatRaw, Size: 0x80000, Segments: []image.Range{rng(0, 0x80000)}, Gaps: []image.Range{}},
		"sum":            SumData{File: "backup.bin", SumValue: SumValue{"CRC-32/ISO-HDLC", 32, "0xCBF43926"}, Further: []SumValue{{"CRC-16/XMODEM", 16, "0x31C3"}}, Ranges: []image.Range{rng(0x70000, 0xFFF0), rng(0x7FFF4, 8)}, Size: 0xFFF8},
		"algorithms":     AlgorithmsData{Algorithms: []AlgorithmView{crc, sum, digest}},
		"algorithms-one": AlgorithmsData{Name: "crc-32", Algorithms: []AlgorithmView{crc}},
		"verify-pass":    VerifyData{File: "backup.bin", SHA256: strings.Repeat("2d60a44d", 8), Map: summary, Verification: verified},
		"verify-no-map": VerifyData{File: "backup.bin", Verification: &diffmap.Verification{Verdict: evidence.Unproven, Coverage: []evidence.Finding{}, Checksums: []maps.RuleResult{},
			Read: &readcheck.Report{Verdict: evidence.Unproven, Findings: []evidence.Finding{}, NotJudged: []string{"checksums: there is no map"}}}},
		"verify-fail": VerifyData{File: "stuck-line-read.bin", Map: summary, Verification: disproved, Strip: []string{"0x0  ####"}},
		"agree": AgreeData{Reads: []string{"backup.bin", "second-read.bin"}, Map: summary, Agreement: &readcheck.Agreement{Verdict: evidence.Fail, Agree: evidence.Fail, NotJudged: []string{"the map has no checksum rule"}, Findings: []evidence.Finding{caution, stuck},
			Compared: 0x80000, Differ: 40, Where: []readcheck.RegionDiff{{Name: "learned values", Role: maps.RoleAdaptation, Bytes: 8}, {Bytes: 32}},
			Pairs:  []readcheck.PairDiff{{Read: 2, Bytes: 40, OneToZero: 70, ZeroToOne: 2, ByBit: [8]uint64{9, 9, 9, 9, 9, 9, 9, 9}, Block: 32, Cause: "bit 3 reads as 0"}},
			Ranges: []image.Range{rng(0x56000, 8), rng(0x3B00, 32)}, Truncated: true, NoMajority: []image.Range{rng(0x3B00, 1)}}, Merged: "merged.bin"},
		"plan": PlanData{Map: summary, Plan: samplePlan()},
		"readback": ReadbackData{Written: "edited.bin", Read: "after.bin", Map: summary, Strip: []string{"0x0", "####"}, Readback: &readcheck.Readback{Verdict: evidence.Fail, Findings: []evidence.Finding{stuck},
			Compared: 0x80000, Differ: 9, Where: []readcheck.RegionDiff{{Name: "learned values", Role: maps.RoleAdaptation, Bytes: 8}, {Bytes: 1}}, Ranges: []image.Range{rng(0x56000, 8), rng(0x3B00, 1)},
			Pair: readcheck.PairDiff{Read: 2, Bytes: 9, OneToZero: 12, ZeroToOne: 3}}},
		"diff":          DiffData{Original: "backup.bin", Modified: "edited.bin", Map: summary, Result: sampleDiff(), Listing: "--- a\n+++ b\n@@ -1,1 +1,1 @@\n-x\n+y\n", Edits: sampleExplanation(), Strip: []string{"0x0", "##!#"}},
		"diff-equal":    DiffData{Original: "backup.bin", Modified: "copy.bin", Result: &diffmap.Result{Equal: true, Changes: []diffmap.Change{}, Regions: []diffmap.RegionChange{}}},
		"gate":          sampleGate(),
		"gate-fail":     failedGate(),
		"convert":       ConvertData{Input: "in.hex", InputFormat: image.FormatIntelHex, Output: "out.bin", OutputFormat: image.FormatRaw, Size: 1040, Segments: []image.Range{rng(0, 1024), rng(0x8000, 16)}, Filled: 0x8000 - 1024, StartAddress: ptr(uint64(0x8000)), Notes: []FileNote{{Line: 3, Message: "lower-case digits"}}},
		"convert-split": ConvertData{Input: "in.bin", InputFormat: image.FormatRaw, Output: "chip.bin", Parts: []string{"chip.0.bin", "chip.1.bin"}, OutputFormat: image.FormatRaw, Size: 1024, Segments: []image.Range{rng(0, 512)}},
		"completion":    TextData{For: "completion", Text: "complete -c calproof\n"},
		"map-schema":    TextData{For: "map schema", Text: "{}\n"},
		"edits-record": EditsRecordData{Name: "warm-up idle", File: "edits.toml", Original: "backup.bin", Modified: "edited.bin", Map: summary, Ranges: []image.Range{rng(0x70120, 4)},
			Cells: []string{"idle speed over coolant temperature, x = -20 degC: 1000.00 1/min to 1100.00 1/min"}, LeftOut: []string{"4 changed bytes of stored checksum values: they follow from the rest"}, HashOnly: true},
		"edits-find":      EditsFindData{Image: "edited.bin", File: "edits.toml", Edits: sampleFound()},
		"reseal":          sampleReseal(),
		"reseal-refused":  ResealData{Image: "edited-boot.bin", Original: "backup.bin", Map: summary, Refused: []evidence.Finding{stuck}},
		"map-diff":        MapDiffData{Original: "old.toml", Modified: "groomer.toml", Listing: "--- old.toml\n+++ groomer.toml\n@@ -1,1 +1,1 @@\n-title = \"a\"\n+title = \"b\"\n"},
		"map-diff-equal":  MapDiffData{Original: "old.toml", Modified: "groomer.toml", Equal: true},
		"map-new":         TextData{For: "map new", File: "start.toml", Text: "format = 1\n"},
		"map-check":       MapCheckData{File: "groomer.toml", Title: summary.Title, Problems: []MapProblem{}, Regions: 8, Checksums: 3, Tables: 4, Identities: 2, Image: "backup.bin", Fit: []evidence.Finding{caution}},
		"map-check-fault": MapCheckData{File: "bad.toml", Problems: []MapProblem{{"bad.toml", 12, 9, "region[2].range", "ends before it starts"}, {"bad.toml", 20, 1, "", "unknown key"}}},
		"demo": DemoData{Dir: "demo", Files: []string{"backup.bin"}, Steps: []DemoStep{
			{Args: []string{"verify", "demo/backup.bin", "--map", "demo/groomer.toml"}, Says: "pass"},
			{Args: []string{"gate", "demo/backup.bin", "demo/edited file.bin", "--map", "demo/groomer.toml", "--second-read", "demo/second-read.bin"}, Exit: 3, Want: 1, Says: "unproven"}},
			Next: [][]string{{"diff", "demo/backup.bin", "demo/edited.bin"}}},
		"version": VersionData{Version: "0.1.0", Go: "go1.26.8", OS: "linux", Arch: "amd64"},
	}
	gomaps.Copy(all, archiveSamples(verified, disproved))
	return all
}

// samplePlan is the plan of a made-up controller with one figure out of limits.
func samplePlan() *readcheck.Plan {
	m := &maps.Map{Image: maps.ImageSpec{Size: 4 << 20}, Bench: maps.Bench{ReadMinutes: [2]float64{60, 75}}}
	took := 10 * time.Minute
	plan, err := readcheck.NewPlan(m, readcheck.PlanInput{SupplyVolts: ptr(13.2), AdapterLatencyMS: ptr(2.0), Took: &took})
	if err != nil {
		panic(err)
	}
	return plan
}
