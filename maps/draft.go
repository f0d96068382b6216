package maps

import (
	"errors"
	"example.com/calproof/image"
)

// Draft returns a commented starting map for im, as TOML.
func Draft(im *image.Image) ([]byte, error) { return nil, errors.New("x") }
