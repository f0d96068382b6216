package report

import (
	"fmt"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// ConvertData is what convert wrote.
type ConvertData struct {
	Input        string        `json:"input"`
	InputFormat  image.Format  `json:"input_format"`
	Output       string        `json:"output"`
	OutputFormat image.Format  `json:"output_format"`
	Parts        []string      `json:"parts,omitempty"`  // files written, if the image was split
	Size         uint64        `json:"size"`             // bytes of the image, in all parts; fill is not counted
	Segments     []image.Range `json:"segments"`         // of each part; an image is split into equal ones
	Filled       uint64        `json:"filled,omitempty"` // bytes of gaps written with the fill byte
	StartAddress *uint64       `json:"start_address,omitempty"`
	Notes        []FileNote    `json:"notes,omitempty"`
}

// Convert fills in what the images know by themselves: in, the one that was
// opened, and those that were written.
func Convert(input string, in *image.Image, output string, format image.Format, written ...*image.Image) ConvertData {
	d := ConvertData{Input: input, InputFormat: in.Format(), Output: output, OutputFormat: format,
		Segments: []image.Range{}, Notes: fileNotes(in.Notes())}
	for i, im := range written {
		d.Size += im.Size()
		if at, ok := im.StartAddress(); ok {
			d.StartAddress = &at
		}
		if i == 0 {
			d.Segments = append(d.Segments, im.Segments()...)
		}
	}
	return d
}

// Command returns "convert".
func (ConvertData) Command() string { return "convert" }

func (d ConvertData) outcome() (evidence.Verdict, []evidence.Finding) { return evidence.Pass, nil }

func (d ConvertData) text(p *printer, _ []evidence.Finding) {
	output := d.Output
	if len(d.Parts) > 0 {
		output = strings.Join(d.Parts, ", ")
	}
	size, each := d.Size+d.Filled, ""
	if n := uint64(len(d.Parts)); n > 0 {
		size, each = size/n, " each"
	}
	p.wrap(0, 2, "wrote %s: %s, %s in %s%s", output, formatName(d.OutputFormat), bytesOf(size), evidence.Count(uint64(len(d.Segments)), "segment"), each)
	start, filled := "", ""
	if d.StartAddress != nil {
		start = fmt.Sprintf("0x%X", *d.StartAddress)
	}
	if d.Filled > 0 {
		filled = evidence.Count(d.Filled, "byte") + " of gaps"
	}
	p.facts([][2]string{{"from", fmt.Sprintf("%s, %s", d.Input, formatName(d.InputFormat))},
		{"addresses", evidence.Ranges(d.Segments) + each}, {"filled", filled}, {"starts at", start}})
	p.notes(d.Notes)
}
