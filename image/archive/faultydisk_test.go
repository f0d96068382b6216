package archive

import (
	"errors"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// quickDisk is a disk that flushes nothing: tests that do not cut the power for
// real need not wait for it.
type quickDisk struct{ osDisk }

func (quickDisk) SyncDir(string) error { return nil }

func (d quickDisk) Create(path string) (diskFile, error) {
	f, err := d.osDisk.Create(path)
	return quickFile{f}, err
}

type quickFile struct{ diskFile }

func (quickFile) Sync() error { return nil }

// faultyDisk is a disk that fails on purpose. It counts its operations by
// name ("mkdir", "create", "write", "sync", "close", "open", "rename",
// "remove", "syncdir").
type faultyDisk struct {
	quickDisk
	op    string // operation that fails; "" means any
	at    int    // its n-th call fails, from 1
	err   error  // how
	crash bool   // and everything after it: the program is gone
	do    func() // instead of a failure, this happens before it

	calls   int  // of op
	failed  bool // the fault happened
	history []string

	// For powerCut: what a power cut may lose.
	unsynced map[string]bool   // files with content in memory only
	names    map[string]bool   // files and folders whose name is in memory only
	replaced map[string][]byte // files that were renamed over in memory only, with what was there
}

var errCrash = errors.New("crash")

// step counts an operation and returns the fault if it is time for it.
func (d *faultyDisk) step(op, path string) error {
	if d.failed && d.crash {
		return errCrash
	}
	d.history = append(d.history, op+" "+filepath.Base(path))
	if d.op != "" && d.op != op {
		return nil
	}
	if d.calls++; d.calls != d.at {
		return nil
	}
	d.failed = true
	if d.do != nil {
		d.do()
		return nil
	}
	return d.err
}

func (d *faultyDisk) Mkdir(path string) error {
	if err := d.step("mkdir", path); err != nil {
		return err
	}
	d.created(path, false)
	return d.quickDisk.Mkdir(path)
}

func (d *faultyDisk) Create(path string) (diskFile, error) {
	if err := d.step("create", path); err != nil {
		return nil, err
	}
	f, err := d.quickDisk.Create(path)
	if err != nil {
		return nil, err
	}
	d.created(path, true)
	return &faultyFile{f, d, path}, nil
}

func (d *faultyDisk) Open(path string) (io.ReadCloser, error) {
	if err := d.step("open", path); err != nil {
		return nil, err
	}
	return d.quickDisk.Open(path)
}

func (d *faultyDisk) Rename(from, to string) error {
	if err := d.step("rename", to); err != nil {
		return err
	}
	old, notThere := os.ReadFile(to)
	if err := d.quickDisk.Rename(from, to); err != nil {
		return err
	}
	if notThere == nil {
		if d.replaced == nil {
			d.replaced = map[string][]byte{}
		}
		d.replaced[to] = old
	}
	for _, set := range []map[string]bool{d.unsynced, d.names} {
		for path := range set {
			if rest, ok := strings.CutPrefix(path, from); ok && (rest == "" || rest[0] == filepath.Separator) {
				delete(set, path)
				set[to+rest] = true
			}
		}
	}
	// A rename that reached the disk before its folder was flushed is the bad
	// case for what it brings in, so the new name counts as durable.
	delete(d.names, to)
	return nil
}

func (d *faultyDisk) RemoveAll(path string) error {
	if err := d.step("remove", path); err != nil {
		return err
	}
	return d.quickDisk.RemoveAll(path)
}

func (d *faultyDisk) SyncDir(path string) error {
	if err := d.step("syncdir", path); err != nil {
		return err
	}
	inIt := func(name string) bool { return filepath.Dir(name) == path }
	maps.DeleteFunc(d.names, func(name string, _ bool) bool { return inIt(name) })
	maps.DeleteFunc(d.replaced, func(name string, _ []byte) bool { return inIt(name) })
	return d.quickDisk.SyncDir(path)
}

func (d *faultyDisk) created(path string, isFile bool) {
	if d.names == nil {
		d.names, d.unsynced = map[string]bool{}, map[string]bool{}
	}
	d.names[path] = true
	if isFile {
		d.unsynced[path] = true
	}
}

// powerCut loses everything that was not made durable. Of a file that was
// renamed over another in memory only, the disk may show either; old says which.
func (d *faultyDisk) powerCut(old bool) error {
	for path, data := range d.replaced {
		if _, err := os.Lstat(path); !old || err != nil {
			continue
		}
		if err := os.Chmod(path, 0o600); err != nil {
			return err
		}
		if err := os.WriteFile(path, data, 0o600); err != nil {
			return err
		}
	}
	for path := range d.unsynced {
		if err := os.Chmod(path, 0o600); errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err := os.Truncate(path, 0); err != nil {
			return err
		}
	}
	var lost []string
	for path := range d.names {
		lost = append(lost, path)
	}
	slices.Sort(lost)
	for _, path := range lost {
		if err := os.RemoveAll(path); err != nil {
			return err
		}
	}
	return nil
}

type faultyFile struct {
	diskFile
	d    *faultyDisk
	path string
}

// Write fails in the middle, as a disk that fills up does.
func (f *faultyFile) Write(p []byte) (int, error) {
	if err := f.d.step("write", f.path); err != nil {
		n, _ := f.diskFile.Write(p[:len(p)/2])
		return n, err
	}
	return f.diskFile.Write(p)
}

func (f *faultyFile) Sync() error {
	if err := f.d.step("sync", f.path); err != nil {
		return err
	}
	delete(f.d.unsynced, f.path)
	return f.diskFile.Sync()
}

func (f *faultyFile) Close() error {
	err := f.d.step("close", f.path)
	return errors.Join(err, f.diskFile.Close())
}
