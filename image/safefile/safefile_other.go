//go:build !windows

package safefile

import "os"

// retry calls fn once: an open file is no obstacle here.
func retry(fn func() error) error { return fn() }

// syncFolder flushes the names in folder to the disk.
func syncFolder(folder string) error {
	f, err := os.Open(folder)
	if err != nil {
		return err
	}
	err = f.Sync()
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return err
}
