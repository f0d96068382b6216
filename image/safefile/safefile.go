// Package safefile writes files so that they are there whole or not at all.
//
// A file is written under a temporary name in the same folder, flushed to the
// disk (fsync), and given its name only then; the folder is flushed last, so
// that the name too survives a power cut. The name is atomic: other programs
// see the old file or the new one, never a part. On Windows a folder cannot be
// flushed, so there the name may be lost in a power cut, but not the old file.
package safefile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// Options of a write.
type Options struct {
	Force  bool     // replace an existing file; its permission bits are kept
	Inputs []string // files that were read: writing onto one of them (also through a link) is always refused
}

// Errors that [Write] wraps.
var (
	ErrInput      = errors.New("the output is one of the inputs")
	ErrNotRegular = errors.New("not a regular file")
)

// Write creates path with what fn writes. On any error, and if fn panics,
// nothing is left behind and an existing file is as it was; the one exception
// is an error of flushing the folder, after which the new file is in place.
//
// An existing file is refused with an [*ExistsError] unless opts.Force is set; this holds also for a file that another program creates
// meanwhile, on file systems that have hard links. With Force, a symbolic link
// stays and the file it leads to is replaced.
func Write(path string, opts Options, fn func(w io.Writer) error) (err error) {
	target, perm, err := check(path, opts)
	if err != nil {
		return err
	}
	folder := filepath.Dir(target)
	tmp, err := createTemp(folder)
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	closed := false
	defer func() {
		// Runs on every way out, also if fn panics. After success there is
		// nothing left to remove.
		if !closed {
			tmp.Close()
		}
		removeTemp(tmp.Name())
		if err != nil {
			err = fmt.Errorf("write %s: %w", path, err)
		}
	}()
	if perm != 0 {
		if err := tmp.Chmod(perm); err != nil {
			return err
		}
	}
	if err := fn(tmp); err != nil {
		return err
	}
	if err := tmp.Sync(); err != nil {
		return err
	}
	closed = true
	if err := tmp.Close(); err != nil {
		return err
	}
	if err := place(tmp.Name(), target, opts.Force); err != nil {
		return err
	}
	return syncFolder(folder)
}

// Check returns the error with which [Write] would refuse path before it
// writes anything. Call it for all outputs first where several belong together.
func Check(path string, opts Options) error {
	_, _, err := check(path, opts)
	return err
}

// ExistsError refuses to replace the file Path. It unwraps to [fs.ErrExist].
type ExistsError struct{ Path string }

func (e *ExistsError) Error() string {
	return e.Path + " exists; choose another name, or force it to be replaced"
}
func (*ExistsError) Unwrap() error { return fs.ErrExist }

// refusal is an error of a kind, in words of its own.
type refusal struct {
	text string
	kind error
}

func (r refusal) Error() string { return r.text }
func (r refusal) Unwrap() error { return r.kind }

// check refuses what must not be written. It returns the file to replace or
// create, with symbolic links followed, and the permission bits of an existing
// one.
func check(path string, opts Options) (target string, perm fs.FileMode, err error) {
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		return path, 0, checkFolder(filepath.Dir(path))
	} else if err != nil {
		return "", 0, err
	}
	info, err := os.Stat(path)
	if err != nil {
		return "", 0, fmt.Errorf("%s is a link that leads nowhere: %w", path, err)
	}
	// Comparing files, not names, sees through links of both kinds, other
	// spellings of a path, and case on file systems that ignore it.
	for _, input := range opts.Inputs {
		if in, err := os.Stat(input); err == nil && os.SameFile(in, info) {
			return "", 0, fmt.Errorf("%w: %s is the same file as %s; choose another name", ErrInput, path, input)
		}
	}
	switch {
	case info.IsDir():
		return "", 0, refusal{path + " is a folder; name a file in it", ErrNotRegular}
	case !info.Mode().IsRegular():
		return "", 0, refusal{path + " is a device or the like, and only files are written", ErrNotRegular}
	case !opts.Force:
		return "", 0, &ExistsError{path}
	}
	target, err = filepath.EvalSymlinks(path)
	return target, info.Mode().Perm(), err
}

// checkFolder refuses a folder in which no file can be made.
func checkFolder(folder string) error {
	info, err := os.Stat(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return refusal{"the folder " + folder + " does not exist; make it first, or choose another", fs.ErrNotExist}
	case err != nil:
		return err
	case !info.IsDir():
		return refusal{folder + " is no folder, so no file can be made in it", ErrNotRegular}
	}
	return nil
}

// createTemp creates a file with a new name in folder. Unlike os.CreateTemp it
// leaves the permission bits to the umask, as for any new file.
func createTemp(folder string) (*os.File, error) {
	for try := 0; ; try++ {
		name := filepath.Join(folder, fmt.Sprintf(".calproof-%016x.tmp", rand.Uint64()))
		f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
		if !errors.Is(err, fs.ErrExist) || try == 100 {
			return f, err
		}
	}
}

// place gives the finished file its name. A rename would replace a file that
// appeared since the check, so without force the name is made as a hard link,
// which never replaces anything. Where links are not to be had, a second look
// before the rename has to do.
func place(tmp, target string, force bool) error {
	if !force {
		err := os.Link(tmp, target)
		if err == nil || errors.Is(err, fs.ErrExist) {
			return err
		}
		if _, err := os.Lstat(target); err == nil {
			return fmt.Errorf("%s appeared meanwhile: %w", target, fs.ErrExist)
		}
	}
	return retry(func() error { return os.Rename(tmp, target) })
}

// removeTemp removes the temporary file. That it may already be gone is no
// error; that it stays despite the retries has no remedy here.
func removeTemp(name string) {
	_ = retry(func() error {
		if err := os.Remove(name); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	})
}
