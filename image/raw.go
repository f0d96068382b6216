package image

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"runtime/debug"

	"golang.org/x/exp/mmap"
)

// readRaw places the bytes of r at the base address, 0 if none is given. Nothing is copied.
func readRaw(r io.ReaderAt, size int64, opts Options) (*Image, error) {
	var base uint64
	if opts.Base != nil {
		base = *opts.Base
	}
	if err := checkFits(base, uint64(size)); err != nil {
		return nil, fmt.Errorf("base 0x%X: %w", base, err)
	}
	return newImage(FormatRaw, []chunk{{Range{base, uint64(size)}, r, 0}})
}

// mapped is a memory-mapped file.
type mapped struct{ file *mmap.ReaderAt }

func openMapped(path string) (mapped, error) {
	file, err := mmap.Open(path)
	if _, named := errors.AsType[*fs.PathError](err); err != nil && !named {
		err = &fs.PathError{Op: "map", Path: path, Err: err}
	}
	return mapped{file}, err
}

func (m mapped) size() int64 { return int64(m.file.Len()) }

func (m mapped) Close() error { return m.file.Close() }

// ReadAt copies from the mapping. A page that is gone because another program
// truncated the file, or that the disk cannot deliver, faults on access; that
// becomes an error instead of the end of the program.
func (m mapped) ReadAt(p []byte, off int64) (n int, err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if fault := recover(); fault != nil {
			n, err = 0, fmt.Errorf("the file was truncated or became unreadable after it was opened (%v)", fault)
		}
	}()
	return m.file.ReadAt(p, off)
}
