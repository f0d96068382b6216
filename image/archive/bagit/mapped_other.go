//go:build !unix

package bagit

import "errors"

// mapFile is not done here; files are read.
func mapFile(uintptr, int64) (data []byte, unmap func(), err error) {
	return nil, nil, errors.ErrUnsupported
}
