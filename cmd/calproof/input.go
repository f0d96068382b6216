package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// stdin is the file name that stands for standard input.
const stdin = "-"

// Input is how a command reads its images and its map.
type Input struct {
	Format image.Format
	Base   *uint64
	Map    string
}

// AddFlags adds the flags of in that say how an image is read.
func (in *Input) AddFlags(cmd *cobra.Command) {
	addVar(cmd, formatFlag{&in.Format}, "format", "format of the input: auto, raw, intelhex, srecord or elf", formatNames()...)
	addVar(cmd, addressFlag{&in.Base}, "base", "address of the first byte of a raw file (default: the map's, or 0)")
}

// AddMapFlag adds the flag that names the region map.
func (in *Input) AddMapFlag(cmd *cobra.Command) {
	cmd.Flags().StringVar(&in.Map, "map", "", "region map (TOML) that says what lies where")
}

func formatNames() []string {
	names := []string{"auto"}
	for _, f := range image.Formats() {
		names = append(names, string(f))
	}
	return names
}

// loadMap loads the region map, or returns nil if none was named.
func (in *Input) loadMap() (*maps.Map, error) {
	if in.Map == "" {
		return nil, nil
	}
	return maps.Load(in.Map)
}

// needMap loads the region map that command cannot do without.
func (in *Input) needMap(command string) (*maps.Map, error) {
	if in.Map == "" {
		return nil, fmt.Errorf("%s: no region map; name it with --map ('calproof map new' writes a starting one)", command)
	}
	return in.loadMap()
}

// open opens an image as it was read. A raw file lies where --base says, else
// where the map says, else at 0. The caller closes the image.
func (in *Input) open(streams Streams, path string, m *maps.Map) (*image.Image, error) {
	open, err := opener(streams, path)
	if err != nil {
		return nil, err
	}
	opts := image.Options{Format: in.Format}
	if in.Base != nil {
		opts.Base = *in.Base
	}
	im, err := open(opts)
	if err != nil || m == nil || in.Base != nil || im.Format() != image.FormatRaw || m.Image.Base == 0 || len(m.Image.Parts) > 0 {
		return im, err
	}
	if err := im.Close(); err != nil { // it is raw, which only its bytes could tell
		return nil, err
	}
	return open(image.Options{Format: image.FormatRaw, Base: m.Image.Base})
}

// opener returns a function that opens the file at path, or standard input,
// which is read here and only once.
func opener(streams Streams, path string) (func(image.Options) (*image.Image, error), error) {
	if path != stdin {
		return func(opts image.Options) (*image.Image, error) { return image.Open(path, opts) }, nil
	}
	data, err := io.ReadAll(streams.In)
	if err != nil {
		return nil, fmt.Errorf("standard input: %w", err)
	}
	return func(opts image.Options) (*image.Image, error) {
		im, err := image.New(bytes.NewReader(data), int64(len(data)), opts)
		if err != nil {
			return nil, fmt.Errorf("standard input: %w", err)
		}
		return im, nil
	}, nil
}

// openPair opens two images; at most one of them is standard input.
func (in *Input) openPair(streams Streams, original, modified string, m *maps.Map) (a, b *image.Image, err error) {
	if original == stdin && modified == stdin {
		return nil, nil, fmt.Errorf("standard input cannot be both images; name a file for one of them")
	}
	if a, err = in.open(streams, original, m); err != nil {
		return nil, nil, err
	}
	if b, err = in.open(streams, modified, m); err != nil {
		return nil, nil, errors.Join(err, a.Close())
	}
	return a, b, nil
}
