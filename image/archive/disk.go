package archive

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"runtime"
	"sync"

	"github.com/rogpeppe/go-internal/robustio"
)

// disk is what a writer needs of a file system. Tests put faults in it.
type disk interface {
	Mkdir(path string) error
	Create(path string) (diskFile, error) // the file must not exist
	Open(path string) (io.ReadCloser, error)
	Rename(from, to string) error
	RemoveAll(path string) error
	SyncDir(path string) error // makes the names in a folder durable
}

type diskFile interface {
	io.Writer
	Sync() error
	Close() error
}

type osDisk struct{}

func (osDisk) Mkdir(path string) error { return os.Mkdir(path, 0o755) }

// Create makes files read-only: nothing here is meant to be edited.
func (osDisk) Create(path string) (diskFile, error) {
	return os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o444)
}

func (osDisk) Open(path string) (io.ReadCloser, error) { return os.Open(path) }

// Rename tries again for a while on Windows, where a virus scanner that has
// just opened a new file makes the first attempt fail.
func (osDisk) Rename(from, to string) error { return robustio.Rename(from, to) }

func (osDisk) RemoveAll(path string) error { return robustio.RemoveAll(path) }

// SyncDir does nothing on Windows: a folder cannot be flushed there, and NTFS
// journals renames itself.
func (osDisk) SyncDir(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// writeWhole writes a file, makes it durable, reads it back and compares.
func writeWhole(d disk, path string, data []byte) error {
	if err := writeSynced(d, path, bytes.NewReader(data)); err != nil {
		return err
	}
	f, err := d.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	back, err := io.ReadAll(io.LimitReader(f, int64(len(data))+1))
	if err != nil {
		return err
	}
	if !bytes.Equal(back, data) {
		return fmt.Errorf("%s does not read back as it was written; check the disk", path)
	}
	return nil
}

// writeBuffers are large, since a system may keep in one piece of memory what is
// written in one: such a file can be hashed through a mapping at the speed of
// memory (on Linux with ext4, a tenth faster than one written 32 KiB at a time).
var writeBuffers = sync.Pool{New: func() any { b := make([]byte, 1<<20); return &b }}

// writeSynced writes what r gives to a new file and makes it durable.
func writeSynced(d disk, path string, r io.Reader) error {
	f, err := d.Create(path)
	if err != nil {
		return err
	}
	buf := writeBuffers.Get().(*[]byte)
	defer writeBuffers.Put(buf)
	if _, err := io.CopyBuffer(struct{ io.Writer }{f}, r, *buf); err != nil {
		f.Close()
		return err
	}
	if err := f.Sync(); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}
