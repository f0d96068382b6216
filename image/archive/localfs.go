package archive

import (
	"io/fs"
	"strings"
)

// localFS reads a folder of this machine, and nothing outside it, whatever
// symbolic links it holds. What is neither file nor folder is refused and never
// waited for: opening a named pipe would stop a reader for good. It is an
// [fs.FS], [fs.ReadDirFS] and [fs.StatFS].
type localFS struct{ *folder }

// openLocal opens a folder of this machine.
func openLocal(dir string) (localFS, error) {
	f, err := openFolder(dir)
	return localFS{f}, err
}

// enter returns a folder of fsys as a file system of its own, until leave is
// called. On this machine the folder is opened once, so that its files are one
// step away and not several.
func enter(fsys fs.FS, name string) (sub fs.FS, leave func(), err error) {
	l, ok := fsys.(localFS)
	if !ok {
		sub, err = fs.Sub(fsys, name)
		return sub, func() {}, err
	}
	f, err := l.enter(name)
	if err != nil {
		return nil, nil, err
	}
	return localFS{f}, func() { f.Close() }, nil
}

// localPath returns an error for a name that fs.FS does not take, or that would
// mean something else to this machine.
func localPath(op, name string) error {
	if !fs.ValidPath(name) || strings.Contains(name, `\`) { // which separates folders on Windows
		return &fs.PathError{Op: op, Path: name, Err: fs.ErrInvalid}
	}
	return nil
}
