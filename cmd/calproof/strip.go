package main

import (
	"github.com/spf13/cobra"

	"example.com/calproof/image"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

// Picture is how a command draws an image in characters.
type Picture struct {
	ASCII bool
}

// AddFlags adds the flags of o to cmd.
func (o *Picture) AddFlags(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&o.ASCII, "ascii", false, "draw the picture of the image in ASCII characters")
}

// draw returns the picture of im, a line each.
func (o *Picture) draw(m *maps.Map, im *image.Image, repeated, changed []image.Range) ([]string, error) {
	if im.Size() == 0 {
		return nil, nil
	}
	s, err := readcheck.NewStrip(m, im, repeated, changed)
	if err != nil {
		return nil, err
	}
	return s.Lines(o.ASCII), nil
}
