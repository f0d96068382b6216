package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"

	"example.com/calproof/checksum"
	"example.com/calproof/diffmap"
	"example.com/calproof/image/safefile"
)

// plainly returns the text of err with the errors of the operating system, and
// those that a flag would avoid, in words that name the file and what to do.
func plainly(err error) string {
	text := err.Error()
	for _, cause := range causes(err) {
		if plain := reworded(cause); plain != "" {
			text = strings.ReplaceAll(text, cause.Error(), plain)
		}
	}
	return text
}

// causes returns err and all that it wraps, outermost first.
func causes(err error) []error {
	all := []error{err}
	switch e := err.(type) {
	case interface{ Unwrap() error }:
		if inner := e.Unwrap(); inner != nil {
			all = append(all, causes(inner)...)
		}
	case interface{ Unwrap() []error }:
		for _, inner := range e.Unwrap() {
			all = append(all, causes(inner)...)
		}
	}
	return all
}

// reworded returns the text for one error, "" if it is plain already.
func reworded(err error) string {
	switch e := err.(type) {
	case *checksum.UnknownError:
		if len(e.Near) == 0 {
			return fmt.Sprintf("unknown algorithm %q; 'calproof algorithms' lists them", e.Name)
		}
	case *safefile.ExistsError:
		return e.Path + " exists; choose another name, or replace it with --force"
	case *fs.PathError:
		switch {
		case errors.Is(e.Err, fs.ErrNotExist):
			return e.Path + " does not exist; check the name"
		case errors.Is(e.Err, fs.ErrPermission):
			return e.Path + ": permission denied; ask whoever owns it, or use a copy that is yours"
		case errors.Is(e.Err, syscall.EISDIR):
			return e.Path + " is a folder; name a file in it"
		case errors.Is(e.Err, syscall.ENOTDIR):
			return e.Path + " is a file or lies below one; name a folder"
		}
		return fmt.Sprintf("%s: %v", e.Path, e.Err)
	}
	if err == diffmap.ErrNoOriginal {
		return "not resealed: without the original image nothing tells an edit from a bad read; " +
			"name it with --original, or go on with --without-original, and the result says so"
	}
	return ""
}
