package report

import (
	"strings"
	"time"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/keeping"
	"example.com/calproof/image"
	"example.com/calproof/image/archive"
	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
)

func archiveSamples(pass, fail *diffmap.Verification) map[string]Data {
	took := 62 * time.Minute
	sum := strings.Repeat("0123456789abcdef", 4)
	created := time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC)
	backup := archive.Entry{Vehicle: "Groomer 2", VIN: "11111111111111111", Folder: "groomer-2", Name: "0001-backup-2026-11-25", Number: 1, Kind: archive.Backup,
		Created: created, Tool: "calproof 0.1.0", ImagePath: "data/image/backup.bin", SecondReadPath: "data/second-read/second-read.bin", MapPath: "data/map/groomer.toml",
		VerdictPath: "data/verdict/verdict.json", VerdictTextPath: "data/verdict/verdict.txt", NotePath: "data/note.txt", Attached: []string{"data/attached/wiring.pdf"},
		ImageSHA256: sum, ImageName: "back*up.bin", ImageFormat: "raw", ImageBase: ptr(uint64(0x8000)), Verdict: evidence.Pass,
		Controller: bagit.Fields{{Label: "software number", Value: "GRM-DRV-0042"}},
		Conditions: archive.Conditions{SupplyVolts: ptr(13.2), AdapterLatencyMS: ptr(0.8), Duration: &took}, TagManifestSHA256: sum}
	edit := archive.Entry{Vehicle: "Groomer 2", Folder: "groomer-2", Name: "0002-modified-2026-11-25", Number: 2, Kind: archive.Modified, Created: created, Tool: "calproof 0.1.0",
		ImagePath: "data/image/edited.bin", ImageSHA256: strings.Repeat("5", 64), ParentSHA256: sum, PreviousSHA256: sum, Verdict: evidence.Fail}
	papers := archive.Entry{Vehicle: "Groomer 2", Folder: "groomer-2", Name: "0003-attachment-2026-11-25", Number: 3, Kind: archive.Attachment, Created: created, Attached: []string{"data/attached/wiring.pdf"}}
	broken := archive.Entry{Folder: "groomer-2", Name: "0004-readback-2026-11-25", Number: 4, Problem: "bag-info.txt: line 3 is not \"Label: value\""}
	vehicle := &archive.Vehicle{Name: "Groomer 2", VIN: "11111111111111111", Folder: "groomer-2", Entries: []archive.Entry{backup, edit, papers, broken}}
	list := ArchiveListData{Archive: "shop", Vehicles: []ArchiveVehicle{}}
	list.Add(vehicle)
	list.Unreadable = []ArchiveUnreadable{{Folder: "groomer-9", Problem: "read vehicle groomer-9: input/output error"}}
	damage := evidence.Finding{Code: "hash-mismatch", Severity: evidence.Fault, Message: "groomer-2/0001-backup-2026-11-25: data/image/backup.bin: sha256 is 01, but manifest-sha256.txt says 02"}
	agreed := &readcheck.Agreement{Verdict: evidence.Pass, Agree: evidence.Pass, Findings: []evidence.Finding{}, Compared: 0x80000, Pairs: []readcheck.PairDiff{}, Where: []readcheck.RegionDiff{}, Ranges: []image.Range{}}
	second := AgreeData{Reads: []string{"backup.bin", "second-read.bin"}, Map: summary}
	region := diffmap.RegionChange{Name: "drive calibration", Role: "calibration", Edit: "allowed", Size: 0x10000, Bytes: 13, Ranges: []image.Range{rng(0x70120, 13)}}
	return map[string]Data{
		"archive-init":          ArchiveInitData{Archive: "shop"},
		"archive-add":           ArchiveAddData{Archive: "shop", Added: archive.Added{Entry: backup, Removed: []string{".incoming-groomer-3"}, Notes: []string{"the same image is kept for groomer-1"}}},
		"archive-add-fail":      ArchiveAddData{Archive: "shop", Added: archive.Added{Entry: edit}, Findings: []evidence.Finding{stuck}},
		"archive-attach":        ArchiveAddData{Archive: "shop", Added: archive.Added{Entry: papers}, Attach: true},
		"archive-list":          list,
		"archive-list-empty":    ArchiveListData{Archive: "shop", Vehicles: []ArchiveVehicle{}},
		"archive-show":          ArchiveShowData{Archive: "shop", Vehicle: vehicle},
		"archive-show-entry":    ArchiveShowData{Archive: "shop", Vehicle: vehicle, Entry: &backup},
		"archive-verify":        ArchiveVerifyData{Archive: "shop", Verification: &archive.Verification{Verdict: evidence.Pass, Findings: []evidence.Finding{}, Vehicles: 3, Entries: 12, Files: 130, Bytes: 9_000_000, Verdicts: 10, Recomputed: 9}},
		"archive-verify-hashes": ArchiveVerifyData{Archive: "shop", HashesOnly: true, Verification: &archive.Verification{Verdict: evidence.Pass, Findings: []evidence.Finding{}, Vehicles: 3, Entries: 12, Files: 130, Bytes: 9_000_000, Verdicts: 10}},
		"archive-verify-fail": ArchiveVerifyData{Archive: "shop", Vehicle: "groomer-2", SHA512: true, Verification: &archive.Verification{Verdict: evidence.Fail, Findings: []evidence.Finding{damage}, Vehicles: 1, Entries: 1, Files: 13, Bytes: 1 << 20},
			Detail: &archive.VehicleVerification{Folder: "groomer-2", Verdict: evidence.Fail, Findings: []evidence.Finding{damage}, Head: sum, Entries: []archive.EntryVerification{{Entry: backup.Name, Verdict: evidence.Fail}}}},
		"archive-restore":      ArchiveRestoreData{Archive: "shop", Entry: backup, Output: "restored.bin", Size: 0x80000},
		"archive-export":       ArchiveExportData{Archive: "shop", Folder: "groomer-2", Entries: 4, Output: "groomer-2.zip", Size: 2 << 20, SHA256: sum},
		"archive-import":       ArchiveImportData{Archive: "office", File: "groomer-2.zip", Imported: &archive.Imported{Folder: "groomer-2", Added: []string{edit.Name}, Had: 1}},
		"archive-find":         ArchiveFindData{Archive: "shop", SHA256: sum, Equal: []archive.Entry{backup}},
		"archive-find-beside":  ArchiveFindData{Archive: "shop", SHA256: sum, Equal: []archive.Entry{}, Beside: []archive.KeptFile{{Entry: backup, Path: backup.SecondReadPath, As: "second read"}}},
		"archive-find-none":    ArchiveFindData{Archive: "shop", SHA256: "0123abcd", Equal: []archive.Entry{}},
		"archive-find-near":    ArchiveFindData{Archive: "shop", File: "edited.bin", SHA256: sum, Equal: []archive.Entry{}, Nearest: &ArchiveNear{Entry: backup, Bytes: 13, Regions: []diffmap.RegionChange{region}}},
		"archive-verdict":      Kept(VerifyData{File: "backup.bin", Map: summary}, &second, &keeping.Judgement{Image: pass, SecondRead: agreed}),
		"archive-verdict-fail": Kept(VerifyData{File: "stuck-line-read.bin", Map: summary}, nil, &keeping.Judgement{Image: fail}),
	}
}
