//go:build !unix

package bagit

import (
	"errors"
	"os"
)

// mapFile is not done here; files are read.
func mapFile(*os.File, int64) (data []byte, unmap func(), err error) {
	return nil, nil, errors.ErrUnsupported
}
