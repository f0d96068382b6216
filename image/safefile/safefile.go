// Package safefile writes files so that they are there whole or not at all.
package safefile

import (
	"errors"
	"io"
)

// Options of a write.
type Options struct {
	Force  bool     // replace an existing file
	Inputs []string // files that were read: writing onto one of them (also through a link) is always refused
}

// Write creates path with what fn writes: a temporary file beside it, fsync,
// close, rename, fsync of the folder. On any error nothing is left behind and
// an existing file is as it was.
func Write(path string, opts Options, fn func(w io.Writer) error) error { return errTODO }

var errTODO = errors.New("safefile: not written yet")
