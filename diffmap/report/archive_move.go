package report

import (
	"example.com/calproof/image/archive"
	"example.com/calproof/image/evidence"
)

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
		p.wrap(0, 2, "note: these are the bytes that were kept, but nothing proved them to be a good image then; `calproof archive show %s %v` tells what is known", d.Entry.Folder, d.Entry.Number)
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
