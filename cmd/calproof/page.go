package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/safefile"
	"example.com/calproof/maps"
)

// Page is how a command writes its result as an HTML page besides.
type Page struct {
	HTML  string
	Force bool
}

// AddFlags adds the flags of p to cmd.
func (p *Page) AddFlags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&p.HTML, "html", "", "also write the result as one self-contained HTML page to this new `file`")
	cmd.Flags().BoolVar(&p.Force, "force", false, "replace an existing HTML page")
}

// pageInput is a file that goes into a page.
type pageInput struct {
	part   string // what it is to the command
	path   string
	sha256 string // of the file
	*maps.Bound
}

// write writes the page of data, if one was asked for, and says so. inputs are the images in
// the order of the command line; the page draws the first, and the one called
// "modified" if there is one. alsoRead are further files that were read, onto
// which no page must be written.
func (p *Page) write(ctx context.Context, streams Streams, data report.Data, m *maps.Map, alsoRead []string, inputs ...pageInput) error {
	if p.HTML == "" {
		return nil
	}
	src := report.Sources{Map: m, Before: inputs[0].Image, Made: time.Now()}
	safe := safefile.Options{Force: p.Force, Inputs: alsoRead}
	for _, in := range inputs {
		if in.part == "modified" {
			src.After = in.Image
		}
		src.Files = append(src.Files, report.FileID{Part: in.part, Name: in.path, Size: in.Opened().File().Size(), SHA256: in.sha256})
		if in.path != stdin {
			safe.Inputs = append(safe.Inputs, in.path)
		}
	}
	if m != nil {
		text, err := os.ReadFile(m.Path)
		if err != nil {
			return fmt.Errorf("region map: %w", err)
		}
		sum := sha256.Sum256(text)
		src.Files = append(src.Files, report.FileID{Part: "region map", Name: m.Path, Size: int64(len(text)), SHA256: hex.EncodeToString(sum[:])})
		safe.Inputs = append(safe.Inputs, m.Path)
	}
	err := writeFile(ctx, p.HTML, safe, func(w io.Writer) error {
		return report.HTML(w, report.New(version, data), src)
	})
	if err == nil {
		fmt.Fprintln(streams.Err, report.Clean("wrote the page "+p.HTML))
	}
	return err
}
