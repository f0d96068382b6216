package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/keeping"
	"example.com/calproof/image/archive"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
)

// KeptVerdict is the verdict that is kept with an image in the archive.
type KeptVerdict struct {
	Image      VerifyData `json:"image"`
	SecondRead *AgreeData `json:"second_read,omitempty"`
	judgement  *keeping.Judgement
}

// Kept fills in what was judged before an image is kept.
func Kept(image VerifyData, second *AgreeData, j *keeping.Judgement) KeptVerdict {
	image.Verification = j.Image
	if second != nil {
		second.Agreement = j.SecondRead
	}
	return KeptVerdict{Image: image, SecondRead: second, judgement: j}
}

// Command returns "archive verdict".
func (KeptVerdict) Command() string { return "archive verdict" }

func (d KeptVerdict) outcome() (evidence.Verdict, []evidence.Finding) {
	return d.judgement.Verdict(), d.judgement.Findings()
}

func (d KeptVerdict) text(p *printer, _ []evidence.Finding) {
	d.Image.text(p, d.judgement.Image.Findings())
	if d.SecondRead != nil {
		p.line(0, "")
		d.SecondRead.text(p, d.judgement.SecondRead.Findings)
	}
}

// ArchiveInitData is an archive that was made.
type ArchiveInitData struct {
	Archive string `json:"archive"`
}

// Command returns "archive init".
func (ArchiveInitData) Command() string { return "archive init" }

func (ArchiveInitData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

func (d ArchiveInitData) text(p *printer, _ []evidence.Finding) {
	p.wrap(0, 2, "made the archive %s", d.Archive)
	p.wrap(0, 2, "Name it with --archive or in CALPROOF_ARCHIVE.")
}

// ArchiveAddData is an entry that was kept.
type ArchiveAddData struct {
	Archive string `json:"archive"`
	archive.Added

	Attach   bool               `json:"-"` // whether attach kept it
	Findings []evidence.Finding `json:"-"` // of the kept verdict
}

// Command returns "archive add" or "archive attach".
func (d ArchiveAddData) Command() string {
	if d.Attach {
		return "archive attach"
	}
	return "archive add"
}

func (d ArchiveAddData) outcome() (evidence.Verdict, []evidence.Finding) {
	if d.Entry.Verdict == "" {
		return evidence.Pass, d.Findings
	}
	return d.Entry.Verdict, d.Findings
}

func (d ArchiveAddData) text(p *printer, findings []evidence.Finding) {
	e := &d.Entry
	switch e.Verdict {
	case evidence.Pass, "":
		p.wrap(0, 2, "kept %s in %s", e.Ref(), d.Archive)
	case evidence.Fail:
		p.verdict(e.Verdict, "kept %s in %s, marked so: the image has the faults below, do not rely on it", e.Ref(), d.Archive)
	default:
		p.verdict(e.Verdict, "kept %s in %s, marked so: nothing below proves the image yet", e.Ref(), d.Archive)
	}
	for _, r := range d.Removed {
		p.wrap(0, 2, "removed %s, which an interrupted writer left", r)
	}
	for _, n := range d.Notes {
		p.wrap(0, 2, "note: %s", n)
	}
	p.line(0, "")
	p.entry(e)
	p.findings("Findings", findings, true)
}

// entry writes what is known of an entry.
func (p *printer) entry(e *archive.Entry) {
	parent := e.ParentSHA256
	volts, latency, took := "", "", ""
	if v := e.Conditions.SupplyVolts; v != nil {
		volts = fmt.Sprintf("%g V", *v)
	}
	if v := e.Conditions.AdapterLatencyMS; v != nil {
		latency = fmt.Sprintf("%g ms", *v)
	}
	if v := e.Conditions.Duration; v != nil {
		took = readcheck.Time{Seconds: v.Seconds()}.String()
	}
	p.pairs([][2]string{
		{"vehicle", e.Vehicle}, {"VIN", e.VIN}, {"kind", string(e.Kind)}, {"created", e.Created.UTC().Format(time.RFC3339)},
		{"verdict", string(e.Verdict)}, {"image", e.ImagePath}, {"given as", e.ImageName}, {"SHA-256", e.ImageSHA256}, {"made from", parent},
		{"second read", e.SecondReadPath}, {"map", e.MapPath}, {"attached", strings.Join(e.Attached, ", ")}, {"note", e.NotePath},
		{"supply", volts}, {"latency", latency}, {"read took", took}, {"kept by", e.Tool}, {"problem", e.Problem},
	})
	if len(e.Controller) > 0 {
		p.heading("Controller")
		var list [][2]string
		for _, f := range e.Controller {
			list = append(list, [2]string{f.Label, f.Value})
		}
		p.pairs(list)
	}
}

// ArchiveVehicle is a vehicle in a list.
type ArchiveVehicle struct {
	Vehicle string        `json:"vehicle"`
	VIN     string        `json:"vin,omitempty"`
	Folder  string        `json:"folder"`
	Entries int           `json:"entries"`
	Proved  int           `json:"proved_backups"` // backups whose kept verdict is pass
	Damaged int           `json:"damaged,omitempty"`
	Newest  archive.Entry `json:"newest"`
}

// ArchiveListData is what an archive holds.
type ArchiveListData struct {
	Archive    string              `json:"archive"`
	Vehicles   []ArchiveVehicle    `json:"vehicles"`
	Unreadable []ArchiveUnreadable `json:"unreadable,omitempty"`
}

// ArchiveUnreadable is a vehicle that cannot be listed.
type ArchiveUnreadable struct {
	Folder  string `json:"folder"`
	Problem string `json:"problem"`
}

// Add adds a vehicle to the list.
func (d *ArchiveListData) Add(v *archive.Vehicle) {
	row := ArchiveVehicle{Vehicle: v.Name, VIN: v.VIN, Folder: v.Folder, Entries: len(v.Entries), Newest: v.Entries[len(v.Entries)-1]}
	for i := range v.Entries {
		e := &v.Entries[i]
		if e.Kind == archive.Backup && e.Verdict == evidence.Pass {
			row.Proved++
		}
		if e.Problem != "" {
			row.Damaged++
		}
	}
	d.Vehicles = append(d.Vehicles, row)
}

// Command returns "archive list".
func (ArchiveListData) Command() string { return "archive list" }

func (d ArchiveListData) outcome() (evidence.Verdict, []evidence.Finding) {
	var findings []evidence.Finding
	for _, v := range d.Vehicles {
		if v.Damaged > 0 {
			findings = append(findings, evidence.Finding{Code: CodeEntryUnreadable, Severity: evidence.Fault,
				Message: fmt.Sprintf("%s of %s cannot be read; run `calproof archive verify %s`", count(uint64(v.Damaged), "entry record"), v.Folder, v.Folder)})
		}
	}
	for _, v := range d.Unreadable {
		findings = append(findings, evidence.Finding{Code: CodeVehicleUnreadable, Severity: evidence.Fault, Message: v.Problem})
	}
	return evidence.Judge(findings), findings
}

// Codes of what cannot be read: the description of an entry, a whole vehicle.
const (
	CodeEntryUnreadable   = "entry-unreadable"
	CodeVehicleUnreadable = "vehicle-unreadable"
)

func (d ArchiveListData) text(p *printer, findings []evidence.Finding) {
	if len(d.Vehicles) == 0 {
		if len(d.Unreadable) == 0 {
			p.wrap(0, 2, "the archive %s is empty", d.Archive)
		}
		p.findings("Findings", findings, true)
		return
	}
	rows := [][]string{{"entries", "proved", "newest", "folder", "vehicle"}}
	for _, v := range d.Vehicles {
		rows = append(rows, []string{fmt.Sprint(v.Entries), fmt.Sprint(v.Proved), v.Newest.Name, v.Folder, v.Vehicle})
	}
	p.columns(0, "rrlll", rows)
	p.findings("Findings", findings, true)
}

// ArchiveShowData is the history of a vehicle, or one entry of it.
type ArchiveShowData struct {
	Archive string           `json:"archive"`
	Vehicle *archive.Vehicle `json:"vehicle"`
	Entry   *archive.Entry   `json:"entry,omitempty"` // nil for the history
}

// Command returns "archive show".
func (ArchiveShowData) Command() string { return "archive show" }

func (d ArchiveShowData) outcome() (evidence.Verdict, []evidence.Finding) {
	var findings []evidence.Finding
	for i := range d.Vehicle.Entries {
		if e := &d.Vehicle.Entries[i]; e.Problem != "" && (d.Entry == nil || d.Entry.Name == e.Name) {
			findings = append(findings, evidence.Finding{Code: CodeEntryUnreadable, Severity: evidence.Fault, Message: fmt.Sprintf("%s cannot be read: %s", e.Ref(), e.Problem)})
		}
	}
	return evidence.Judge(findings), findings
}

func (d ArchiveShowData) text(p *printer, findings []evidence.Finding) {
	if d.Entry != nil {
		p.line(0, "%s", d.Entry.Ref())
		p.line(0, "")
		p.entry(d.Entry)
	} else {
		p.wrap(0, 2, "%s: %s in the folder %s", d.Vehicle.Name, entries(len(d.Vehicle.Entries)), d.Vehicle.Folder)
		p.line(0, "")
		var rows [][]string
		for _, b := range history(d.Vehicle.Entries) {
			e := b.entry
			verdict := string(e.Verdict)
			if verdict == "" {
				verdict = "-"
			}
			what := strings.Join(e.Attached, ", ")
			if e.ImageSHA256 != "" {
				what = e.ImageSHA256[:16]
			}
			rows = append(rows, []string{verdict, strings.Repeat("  ", b.depth) + e.Name, what})
		}
		p.columns(2, "vll", rows)
	}
	p.findings("Findings", findings, true)
}

// branch is an entry in the tree of parents.
type branch struct {
	entry *archive.Entry
	depth int
}

// history puts entries below the first entry that holds their parent image, in
// the order of their numbers.
func history(entries []archive.Entry) []branch {
	first := map[string]int{} // image -> index of the first entry that holds it
	children := map[int][]int{}
	var top []int
	for i := range entries {
		e := &entries[i]
		if p, ok := first[e.ParentSHA256]; ok && e.ParentSHA256 != "" {
			children[p] = append(children[p], i)
		} else {
			top = append(top, i)
		}
		if _, ok := first[e.ImageSHA256]; !ok && e.ImageSHA256 != "" {
			first[e.ImageSHA256] = i
		}
	}
	var out []branch
	var grow func(list []int, depth int)
	grow = func(list []int, depth int) {
		for _, i := range list {
			out = append(out, branch{&entries[i], depth})
			grow(children[i], depth+1)
		}
	}
	grow(top, 0)
	return out
}

// ArchiveVerifyData is whether what an archive holds is what was kept.
type ArchiveVerifyData struct {
	Archive string `json:"archive"`
	Vehicle string `json:"vehicle,omitempty"` // folder, if one was named
	SHA512  bool   `json:"sha512"`            // whether SHA-512 of the payload was computed besides
	// HashesOnly says that kept verdicts were left as they are.
	HashesOnly bool                         `json:"hashes_only"`
	Detail     *archive.VehicleVerification `json:"detail,omitempty"` // of the one vehicle
	*archive.Verification
}

// Command returns "archive verify".
func (ArchiveVerifyData) Command() string { return "archive verify" }

// CodeVerdictsLeftOut says that kept verdicts were not computed again, because
// the user wanted the hashes only.
const CodeVerdictsLeftOut = "verdicts-left-out"

func (d ArchiveVerifyData) outcome() (evidence.Verdict, []evidence.Finding) {
	findings := d.Verification.Findings
	if d.HashesOnly && d.Verdicts > 0 {
		findings = append(slices.Clip(findings), evidence.Finding{Code: CodeVerdictsLeftOut, Severity: evidence.Note,
			Message: fmt.Sprintf("%s compared by hash only, not computed again (--hashes-only)", count(uint64(d.Verdicts), "kept verdict"))})
	}
	return d.Verification.Verdict, findings
}

func (d ArchiveVerifyData) text(p *printer, findings []evidence.Finding) {
	faults, cautions := tally(findings)
	what := "every byte is as it was kept"
	if faults+cautions > 0 {
		what = tallyText(faults, cautions)
	}
	p.verdict(d.Verification.Verdict, "%s: %s", d.place(), what)
	p.line(0, "")
	head, verdicts := "", ""
	if d.Detail != nil {
		head = d.Detail.Head
	}
	if d.Verdicts > 0 {
		verdicts = fmt.Sprintf("%s, of which %s computed again", thousands(uint64(d.Verdicts)), thousands(uint64(d.Recomputed)))
	}
	p.pairs([][2]string{{"vehicles", thousands(uint64(d.Vehicles))}, {"entries", thousands(uint64(d.Verification.Entries))}, {"files", thousands(uint64(d.Files))},
		{"hashed", bytesOf(uint64(d.Bytes))}, {"kept verdicts", verdicts}, {"newest hash", head}})
	if d.Detail != nil {
		p.heading("Entries")
		var rows [][]string
		for _, e := range d.Detail.Entries {
			rows = append(rows, []string{string(e.Verdict), e.Entry})
		}
		p.columns(2, "vl", rows)
	}
	p.findings("Findings", findings, true)
	if slices.ContainsFunc(findings, func(f evidence.Finding) bool { return f.Severity == evidence.Fault && f.Code != "verdict-differs" }) {
		p.heading("What to do")
		p.wrap(2, 4, "- Do not rely on what is named above. A changed image is not restored, and a damaged vehicle is not exported.")
		p.wrap(2, 4, "- Where a file changed or is gone, put the entry's folder from another copy of this archive in its place and verify again. Entries never change, so every copy is equal.")
		p.wrap(2, 4, "- Check the disk: one that lost a byte may lose more.")
	}
}

func (d ArchiveVerifyData) place() string {
	if d.Vehicle != "" {
		return d.Vehicle
	}
	return d.Archive
}

// ArchiveRestoreData is an image that was restored.
type ArchiveRestoreData struct {
	Archive string        `json:"archive"`
	Entry   archive.Entry `json:"entry"`
	Output  string        `json:"output"`
	Size    uint64        `json:"size"`
}

// Command returns "archive restore".
func (ArchiveRestoreData) Command() string { return "archive restore" }

func (ArchiveRestoreData) outcome() (evidence.Verdict, []evidence.Finding) {
	return evidence.Pass, nil
}

func (d ArchiveRestoreData) text(p *printer, _ []evidence.Finding) {
	p.wrap(0, 2, "restored %s to %s: %s, read back and compared", d.Entry.Ref(), d.Output, bytesOf(d.Size))
	p.facts([][2]string{{"SHA-256", d.Entry.ImageSHA256}, {"kept verdict", string(d.Entry.Verdict)}})
	if d.Entry.Verdict != evidence.Pass {
		p.line(0, "")
		p.wrap(0, 2, "note: these are the bytes that were kept, but nothing proved them to be a good image then; `calproof archive show %s %d` tells what is known", d.Entry.Folder, d.Entry.Number)
	}
}

// ArchiveExportData is a vehicle that was written to a file.
type ArchiveExportData struct {
	Archive string `json:"archive"`
	Folder  string `json:"folder"`
	Entries int    `json:"entries"`
	Output  string `json:"output"`
	Size    uint64 `json:"size"`
	SHA256  string `json:"sha256"` // of the file
}

// Command returns "archive export".
func (ArchiveExportData) Command() string { return "archive export" }

func (ArchiveExportData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

func (d ArchiveExportData) text(p *printer, _ []evidence.Finding) {
	p.wrap(0, 2, "exported %s with %s to %s: %s, read back and verified", d.Folder, entries(d.Entries), d.Output, bytesOf(d.Size))
	p.facts([][2]string{{"SHA-256", d.SHA256}})
}

func entries(n int) string {
	if n == 1 {
		return "1 entry"
	}
	return thousands(uint64(n)) + " entries"
}

// ArchiveImportData is a vehicle that was taken in.
type ArchiveImportData struct {
	Archive string `json:"archive"`
	File    string `json:"file"`
	*archive.Imported
}

// Command returns "archive import".
func (ArchiveImportData) Command() string { return "archive import" }

func (ArchiveImportData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

func (d ArchiveImportData) text(p *printer, _ []evidence.Finding) {
	p.wrap(0, 2, "%s: verified, %s added to %s, %s there already", d.File, entries(len(d.Added)), d.Folder, entries(d.Had))
	for _, name := range d.Added {
		p.line(2, "%s", name)
	}
}

// ArchiveFindData is where an image is in an archive.
type ArchiveFindData struct {
	Archive string          `json:"archive"`
	File    string          `json:"file,omitempty"`    // "" if a hash was given
	SHA256  string          `json:"sha256"`            // of the file, or as it was given, perhaps only its first digits
	Equal   []archive.Entry `json:"equal"`             // entries that hold the image
	Nearest *ArchiveNear    `json:"nearest,omitempty"` // if none does
}

// ArchiveNear is the kept image nearest to another.
type ArchiveNear struct {
	Entry   archive.Entry          `json:"entry"`
	Bytes   uint64                 `json:"bytes_different"`
	Regions []diffmap.RegionChange `json:"regions"` // those with a change, by the kept map
}

// Near fills in the nearest image.
func Near(n *keeping.Near) *ArchiveNear {
	if n == nil {
		return nil
	}
	regions := slices.DeleteFunc(slices.Clone(n.Diff.Regions), func(r diffmap.RegionChange) bool { return r.Bytes == 0 })
	if regions == nil {
		regions = []diffmap.RegionChange{}
	}
	return &ArchiveNear{Entry: n.Entry, Bytes: n.Bytes, Regions: regions}
}

// Command returns "archive find".
func (ArchiveFindData) Command() string { return "archive find" }

func (d ArchiveFindData) outcome() (evidence.Verdict, []evidence.Finding) {
	if len(d.Equal) > 0 {
		return evidence.Pass, nil
	}
	return evidence.Fail, nil
}

func (d ArchiveFindData) text(p *printer, _ []evidence.Finding) {
	name := d.File
	if name == "" {
		name = d.SHA256
	}
	if len(d.Equal) > 0 {
		p.wrap(0, 2, "%s is kept:", name)
		p.line(0, "")
		var rows [][]string
		for i := range d.Equal {
			e := &d.Equal[i]
			rows = append(rows, []string{e.Ref(), e.Vehicle})
		}
		p.columns(2, "ll", rows)
		return
	}
	p.wrap(0, 2, "no entry of %s keeps %s as its image", d.Archive, name)
	if n := d.Nearest; n != nil {
		p.line(0, "")
		p.wrap(0, 2, "Nearest is %s: %s different", n.Entry.Ref(), count(n.Bytes, "byte"))
		var rows [][]string
		for _, r := range n.Regions {
			rows = append(rows, []string{r.Name, string(r.Role), count(r.Bytes, "byte")})
		}
		p.columns(2, "llr", rows)
	}
}
