//go:build !unix

package archive

import (
	"cmp"
	"fmt"
	"io/fs"
	"os"
	"slices"
)

// folder is an open folder. Without openat the standard library's own way to
// stay in it has to do; where this is built, no folder holds named pipes.
type folder struct{ root *os.Root }

func openFolder(dir string) (*folder, error) {
	root, err := os.OpenRoot(dir)
	return &folder{root}, err
}

func (f *folder) Close() error { return f.root.Close() }

func (f *folder) enter(name string) (*folder, error) {
	if err := localPath("open", name); err != nil {
		return nil, err
	}
	root, err := f.root.OpenRoot(name)
	return &folder{root}, err
}

func (f *folder) Open(name string) (fs.File, error) {
	if err := localPath("open", name); err != nil {
		return nil, err
	}
	file, err := f.root.Open(name)
	if err != nil {
		return nil, err
	}
	info, err := file.Stat()
	if err == nil && !info.Mode().IsRegular() && !info.IsDir() {
		err = &fs.PathError{Op: "open", Path: name, Err: fmt.Errorf("is neither file nor folder (%v)", info.Mode().Type())}
	}
	if err != nil {
		file.Close()
		return nil, err
	}
	return file, nil
}

func (f *folder) ReadDir(name string) ([]fs.DirEntry, error) {
	file, err := f.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	entries, err := file.(*os.File).ReadDir(-1)
	slices.SortFunc(entries, func(a, b fs.DirEntry) int { return cmp.Compare(a.Name(), b.Name()) })
	return entries, err
}

func (f *folder) Stat(name string) (fs.FileInfo, error) {
	if err := localPath("stat", name); err != nil {
		return nil, err
	}
	return f.root.Stat(name)
}
