//go:build unix

package bagit

import (
	"errors"

	"golang.org/x/sys/unix"
)

// mapFile maps the first size bytes of an open file into memory until unmap is
// called.
func mapFile(fd uintptr, size int64) (data []byte, unmap func(), err error) {
	if int64(int(size)) != size {
		return nil, nil, errors.New("file is larger than the address space")
	}
	data, err = unix.Mmap(int(fd), 0, int(size), unix.PROT_READ, unix.MAP_SHARED)
	if err != nil {
		return nil, nil, err
	}
	_ = unix.Madvise(data, unix.MADV_SEQUENTIAL) // read ahead; advice only
	return data, func() { _ = unix.Munmap(data) }, nil
}
