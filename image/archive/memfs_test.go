package archive

import (
	"bytes"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// memFS is a small, fast file system in memory: files by path, and names by
// folder. A copy may replace one file without touching the original.
type memFS struct {
	files   map[string][]byte
	folders map[string][]fs.DirEntry
	changed string // path of the file whose content is data
	data    []byte
}

// loadFS reads a folder into memory.
func loadFS(t testing.TB, dir string) map[string][]byte {
	t.Helper()
	files := map[string][]byte{}
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil {
			return err
		}
		files[filepath.ToSlash(rel)], err = os.ReadFile(p)
		return err
	})
	require.NoError(t, err)
	return files
}

// newMemFS makes a file system of files; a path that ends in "/" is an empty
// folder, content nil of a path in links is a symbolic link.
func newMemFS(files map[string][]byte) *memFS {
	m := &memFS{files: files, folders: map[string][]fs.DirEntry{".": nil}}
	for p, data := range files {
		mode := fs.FileMode(0o444)
		if data == nil {
			mode |= fs.ModeSymlink
		}
		if base, isFolder := bytes.CutSuffix([]byte(p), []byte("/")); isFolder {
			p, mode = string(base), fs.ModeDir|0o755
			m.folders[p] = nil
		}
		m.addName(p, mode, int64(len(data)))
	}
	for dir := range m.folders {
		slices.SortFunc(m.folders[dir], func(a, b fs.DirEntry) int {
			return bytes.Compare([]byte(a.Name()), []byte(b.Name()))
		})
	}
	return m
}

func (m *memFS) addName(p string, mode fs.FileMode, size int64) {
	dir := path.Dir(p)
	if _, ok := m.folders[dir]; !ok {
		m.addName(dir, fs.ModeDir|0o755, 0)
	}
	entry := &memInfo{name: path.Base(p), mode: mode, size: size}
	if slices.ContainsFunc(m.folders[dir], func(e fs.DirEntry) bool { return e.Name() == entry.name }) {
		return
	}
	m.folders[dir] = append(m.folders[dir], entry)
	if mode.IsDir() && m.folders[p] == nil {
		m.folders[p] = []fs.DirEntry{}
	}
}

// with returns a copy in which one file has another content of any length.
func (m *memFS) with(p string, data []byte) *memFS {
	out := *m
	out.changed, out.data = p, data
	return &out
}

func (m *memFS) Open(name string) (fs.File, error) {
	data, ok := m.files[name]
	if name == m.changed {
		data = m.data
	}
	if !ok || data == nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return &memFile{Reader: bytes.NewReader(data), info: memInfo{name: path.Base(name), size: int64(len(data)), mode: 0o444}}, nil
}

func (m *memFS) ReadDir(name string) ([]fs.DirEntry, error) {
	entries, ok := m.folders[name]
	if !ok {
		return nil, &fs.PathError{Op: "readdir", Path: name, Err: fs.ErrNotExist}
	}
	if m.changed == "" || path.Dir(m.changed) != name {
		return entries, nil
	}
	entries = slices.Clone(entries)
	for i, e := range entries {
		if e.Name() == path.Base(m.changed) {
			entries[i] = &memInfo{name: e.Name(), mode: e.Type(), size: int64(len(m.data))}
		}
	}
	return entries, nil
}

type memInfo struct {
	name string
	size int64
	mode fs.FileMode
}

func (i *memInfo) Name() string               { return i.name }
func (i *memInfo) Size() int64                { return i.size }
func (i *memInfo) Mode() fs.FileMode          { return i.mode }
func (i *memInfo) Type() fs.FileMode          { return i.mode.Type() }
func (i *memInfo) ModTime() time.Time         { return time.Time{} }
func (i *memInfo) IsDir() bool                { return i.mode.IsDir() }
func (i *memInfo) Sys() any                   { return nil }
func (i *memInfo) Info() (fs.FileInfo, error) { return i, nil }

type memFile struct {
	*bytes.Reader
	info memInfo
}

func (f *memFile) Stat() (fs.FileInfo, error) { return &f.info, nil }
func (f *memFile) Close() error               { return nil }
