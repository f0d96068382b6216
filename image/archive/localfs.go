package archive

import (
	"cmp"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
)

// localFS reads a folder of this machine, and nothing outside it, whatever
// symbolic links it holds. What is neither file nor folder is refused and never
// waited for: opening a named pipe would stop a reader for good.
type localFS struct{ root *os.Root }

// openLocal opens a folder of this machine.
func openLocal(dir string) (localFS, error) {
	// Looked at first, as opening it might block.
	if info, err := os.Stat(dir); err != nil {
		return localFS{}, err
	} else if !info.IsDir() {
		return localFS{}, fmt.Errorf("%s is no folder", dir)
	}
	root, err := os.OpenRoot(dir)
	return localFS{root}, err
}

func (l localFS) Close() error { return l.root.Close() }

// open opens a file or folder.
func (l localFS) open(name string) (*os.File, fs.FileInfo, error) {
	if !fs.ValidPath(name) || strings.Contains(name, `\`) { // which separates folders on Windows
		return nil, nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrInvalid}
	}
	f, err := l.root.OpenFile(name, os.O_RDONLY|nonblocking, 0)
	if err != nil {
		return nil, nil, err
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() && !info.IsDir() {
		err = &fs.PathError{Op: "open", Path: name, Err: fmt.Errorf("is neither file nor folder (%v)", info.Mode().Type())}
	}
	if err != nil {
		f.Close()
		return nil, nil, err
	}
	return f, info, nil
}

// Open implements [fs.FS].
func (l localFS) Open(name string) (fs.File, error) {
	f, _, err := l.open(name)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// ReadDir implements [fs.ReadDirFS].
func (l localFS) ReadDir(name string) ([]fs.DirEntry, error) {
	f, _, err := l.open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	entries, err := f.ReadDir(-1)
	slices.SortFunc(entries, func(a, b fs.DirEntry) int { return cmp.Compare(a.Name(), b.Name()) })
	return entries, err
}

// Stat implements [fs.StatFS].
func (l localFS) Stat(name string) (fs.FileInfo, error) { return l.root.Stat(name) }

// Lstat is Stat that follows no symbolic link.
func (l localFS) Lstat(name string) (fs.FileInfo, error) { return l.root.Lstat(name) }

// enter returns a folder of fsys as a file system of its own, until leave is
// called. On this machine the folder is opened once, so that its files are one
// step away and not several.
func enter(fsys fs.FS, name string) (folder fs.FS, leave func(), err error) {
	l, ok := fsys.(localFS)
	if !ok {
		folder, err = fs.Sub(fsys, name)
		return folder, func() {}, err
	}
	// Looked at first, as opening it might block.
	if info, err := l.Lstat(name); err != nil {
		return nil, nil, err
	} else if !info.IsDir() {
		return nil, nil, &fs.PathError{Op: "open", Path: name, Err: fmt.Errorf("is no folder (%v)", info.Mode().Type())}
	}
	root, err := l.root.OpenRoot(name)
	if err != nil {
		return nil, nil, err
	}
	return localFS{root}, func() { root.Close() }, nil
}
