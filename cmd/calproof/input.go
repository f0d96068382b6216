package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"

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
	cmd.Flags().StringVar(&in.Map, "map", "", "region map `file` (TOML) that says what lies where")
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

// load opens an image with the region map, if one was named.
func (in *Input) load(streams Streams, path string) (*maps.Bound, error) {
	m, err := in.loadMap()
	if err != nil {
		return nil, err
	}
	return in.open(streams, path, m)
}

// open opens an image, arranged as the map says if there is one. A raw file
// lies where --base says, else where the map says, else at 0. The caller closes
// it.
func (in *Input) open(streams Streams, path string, m *maps.Map) (*maps.Bound, error) {
	opts := image.Options{Format: in.Format, Base: in.Base}
	if path != stdin {
		return maps.Open(path, m, opts)
	}
	data, err := io.ReadAll(streams.In)
	if err != nil {
		return nil, fmt.Errorf("standard input: %w", err)
	}
	return maps.New("standard input", bytes.NewReader(data), int64(len(data)), m, opts)
}

// openPair opens two images; at most one of them is standard input.
func (in *Input) openPair(streams Streams, original, modified string, m *maps.Map) (a, b *maps.Bound, err error) {
	if original == stdin && modified == stdin {
		return nil, nil, errors.New("standard input cannot be both images; name a file for one of them")
	}
	if a, err = in.open(streams, original, m); err != nil {
		return nil, nil, err
	}
	if b, err = in.open(streams, modified, m); err != nil {
		return nil, nil, errors.Join(err, a.Close())
	}
	return a, b, nil
}

// sameFile reports whether two names lead to one file.
func sameFile(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}
