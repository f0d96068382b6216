package report

import (
	"fmt"
	"strings"
	"time"

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
		d.SecondRead.reads(p, d.judgement.SecondRead.Differences()) // what they hold is told above
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

func entries(n int) string {
	if n == 1 {
		return "1 entry"
	}
	return evidence.Thousands(uint64(n)) + " entries"
}
