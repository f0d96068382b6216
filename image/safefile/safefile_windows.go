package safefile

import (
	"errors"
	"syscall"
	"time"
)

// errSharingViolation is ERROR_SHARING_VIOLATION of winerror.h.
const errSharingViolation = syscall.Errno(32)

// retry calls fn again for up to two seconds while another program, such as a
// virus scanner or an indexer, holds one of the files: Windows refuses to rename
// or remove a file that is open without share permission. Which errors pass is
// common practice (cmd/go and its robustio do the same); only the two that an
// open file causes are retried here, so that a real refusal is not slow by more
// than this.
func retry(fn func() error) error {
	for wait := time.Millisecond; ; wait *= 2 {
		err := fn()
		busy := errors.Is(err, errSharingViolation) || errors.Is(err, syscall.ERROR_ACCESS_DENIED)
		if !busy || wait > time.Second {
			return err
		}
		time.Sleep(wait)
	}
}

// syncFolder does nothing: Windows refuses to flush a folder.
func syncFolder(string) error { return nil }
