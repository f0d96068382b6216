package report

import (
	"fmt"

	"example.com/calproof/image/evidence"
)

// VersionData names the program and what it was built with.
type VersionData struct {
	Version string `json:"version"`
	Go      string `json:"go"` // release of the Go tool chain
	OS      string `json:"os"`
	Arch    string `json:"arch"`
}

// Command returns "version".
func (VersionData) Command() string { return "version" }

func (d VersionData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

func (d VersionData) text(p *printer, _ []evidence.Finding) {
	p.line(0, "%s", d)
}

// String returns the one line that version prints.
func (d VersionData) String() string {
	return fmt.Sprintf("calproof %s (%s, %s/%s)", d.Version, d.Go, d.OS, d.Arch)
}
