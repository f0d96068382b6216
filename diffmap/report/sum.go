package report

import (
	"strings"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// SumData is one checksum or several over ranges of a file.
type SumData struct {
	File string `json:"file"`
	SumValue
	Further []SumValue    `json:"further,omitempty"` // of further algorithms
	Ranges  []image.Range `json:"ranges"`            // in the order computed
	Size    uint64        `json:"size"`              // bytes in ranges
}

// SumValue is the value of one algorithm.
type SumValue struct {
	Algorithm string `json:"algorithm"` // catalogue name
	Width     int    `json:"width"`     // bits
	Value     string `json:"value"`     // "0x" and ceil(width/4) upper-case digits
}

// NewSum begins a result, to which values are added.
func NewSum(file string, ranges []image.Range) SumData {
	return SumData{File: file, Ranges: append([]image.Range{}, ranges...), Size: image.TotalSize(ranges)}
}

// Add adds the value of an algorithm.
func (d *SumData) Add(a checksum.Algorithm, v checksum.Value) {
	value := SumValue{a.Name(), a.Width(), v.String()}
	if d.Value == "" {
		d.SumValue = value
	} else {
		d.Further = append(d.Further, value)
	}
}

// Command returns "sum".
func (SumData) Command() string { return "sum" }

func (d SumData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

// text is one line for each value, never broken, so that scripts can take its
// first field.
func (d SumData) text(p *printer, _ []evidence.Finding) {
	var ranges []string
	for _, r := range d.Ranges {
		ranges = append(ranges, r.String())
	}
	for _, v := range append([]SumValue{d.SumValue}, d.Further...) {
		p.line(0, "%s  %s  %s", v.Value, v.Algorithm, strings.Join(ranges, ","))
	}
}

// AlgorithmView is an algorithm in JSON.
type AlgorithmView struct {
	Name       string          `json:"name"`
	Aliases    []string        `json:"aliases"`
	Family     checksum.Family `json:"family"`
	Width      int             `json:"width"` // bits
	Check      string          `json:"check"` // of the nine bytes "123456789"
	Parameters string          `json:"parameters"`
	Source     string          `json:"source"`
	CRC        *CRCView        `json:"crc,omitempty"`
}

// CRCView holds the parameters of a CRC in the catalogue's convention: poly
// without its top term, most significant bit first whatever refin says.
type CRCView struct {
	Poly    string `json:"poly"`
	Init    string `json:"init"`
	RefIn   bool   `json:"refin"`
	RefOut  bool   `json:"refout"`
	XorOut  string `json:"xorout"`
	Residue string `json:"residue"`
}

// AlgorithmsData lists algorithms, or describes one.
type AlgorithmsData struct {
	Name       string          `json:"name,omitempty"` // what was asked for; "" for the list
	Algorithms []AlgorithmView `json:"algorithms"`
}

// Algorithms makes the list; name is what was asked for, "" for all.
func Algorithms(name string, list ...checksum.Algorithm) AlgorithmsData {
	d := AlgorithmsData{Name: name, Algorithms: []AlgorithmView{}}
	for _, a := range list {
		v := AlgorithmView{Name: a.Name(), Aliases: append([]string{}, a.Aliases()...), Family: a.Family(),
			Width: a.Width(), Check: a.Check().String(), Parameters: a.Parameters(), Source: a.Source()}
		if c, ok := a.CRC(); ok {
			v.CRC = &CRCView{c.Poly.String(), c.Init.String(), c.RefIn, c.RefOut, c.XorOut.String(), c.Residue.String()}
		}
		d.Algorithms = append(d.Algorithms, v)
	}
	return d
}

// Command returns "algorithms".
func (AlgorithmsData) Command() string { return "algorithms" }

func (d AlgorithmsData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

func (d AlgorithmsData) text(p *printer, _ []evidence.Finding) {
	if d.Name != "" {
		for i, a := range d.Algorithms {
			if i > 0 {
				p.line(0, "")
			}
			p.algorithm(a)
		}
		return
	}
	p.line(0, "%s", evidence.Count(uint64(len(d.Algorithms)), "algorithm"))
	for _, family := range []struct {
		f     checksum.Family
		title string
	}{{checksum.FamilyCRC, "CRCs"}, {checksum.FamilySum, "Sums"}, {checksum.FamilyDigest, "Cryptographic hashes"}} {
		var rows [][]string
		for _, a := range d.Algorithms {
			if a.Family == family.f {
				rows = append(rows, []string{a.Name, evidence.Thousands(uint64(a.Width)), strings.Join(a.Aliases, ", ")})
			}
		}
		if rows == nil {
			continue
		}
		p.heading("%s (name, bits, other names)", family.title)
		p.columns(2, "lrl", rows)
	}
}

func (p *printer) algorithm(a AlgorithmView) {
	p.line(0, "%s", a.Name)
	residue := ""
	if a.CRC != nil {
		residue = a.CRC.Residue
	}
	p.pairs([][2]string{
		{"other names", strings.Join(a.Aliases, ", ")},
		{"width", evidence.Count(uint64(a.Width), "bit")},
		{"parameters", a.Parameters},
		{"check", a.Check + ` (of the nine bytes "123456789")`},
		{"residue", residue},
		{"source", a.Source},
	})
}
