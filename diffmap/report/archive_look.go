package report

import (
	"fmt"
	"slices"
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/keeping"
	"example.com/calproof/image/archive"
	"example.com/calproof/image/evidence"
)

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
				Message: fmt.Sprintf("%s of %s cannot be read; run `calproof archive verify %s`", evidence.Count(uint64(v.Damaged), "entry record"), v.Folder, v.Folder)})
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

// ArchiveFindData is where an image is in an archive.
type ArchiveFindData struct {
	Archive string             `json:"archive"`
	File    string             `json:"file,omitempty"`    // "" if a hash was given
	SHA256  string             `json:"sha256"`            // of the file, or as it was given, perhaps only its first digits
	Equal   []archive.Entry    `json:"equal"`             // entries that hold the image
	Beside  []archive.KeptFile `json:"beside,omitempty"`  // entries that hold it as something else: a second read, an attached file
	Nearest *ArchiveNear       `json:"nearest,omitempty"` // if neither is there
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
	if len(d.Equal)+len(d.Beside) > 0 {
		return evidence.Pass, nil
	}
	return evidence.Fail, nil
}

func (d ArchiveFindData) text(p *printer, _ []evidence.Finding) {
	name := d.File
	if name == "" {
		name = d.SHA256
	}
	if len(d.Equal)+len(d.Beside) > 0 {
		p.wrap(0, 2, "%s is kept:", name)
		p.line(0, "")
		var rows [][]string
		for i := range d.Equal {
			e := &d.Equal[i]
			rows = append(rows, []string{e.Ref(), "image", e.Vehicle})
		}
		for i := range d.Beside {
			k := &d.Beside[i]
			rows = append(rows, []string{k.Entry.Ref(), k.As, k.Entry.Vehicle})
		}
		p.columns(2, "lll", rows)
		return
	}
	p.wrap(0, 2, "no entry of %s keeps %s", d.Archive, name)
	if n := d.Nearest; n != nil {
		p.line(0, "")
		p.wrap(0, 2, "Nearest is %s: %s different", n.Entry.Ref(), evidence.Count(n.Bytes, "byte"))
		var rows [][]string
		for _, r := range n.Regions {
			rows = append(rows, []string{r.Name, string(r.Role), evidence.Count(r.Bytes, "byte")})
		}
		p.columns(2, "llr", rows)
	}
}
