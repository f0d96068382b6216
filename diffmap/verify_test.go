package diffmap

import (
	"bytes"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/readcheck"
)

// readBytes counts what is read from an image.
type readBytes struct {
	io.ReaderAt
	n int
}

func (r *readBytes) ReadAt(p []byte, off int64) (int, error) {
	n, err := r.ReaderAt.ReadAt(p, off)
	r.n += n
	return n, err
}

// Examining a read needs the results of the checksum rules; verify and the
// gate hand over theirs, so that no rule is evaluated twice.
func TestRulesOfAnImageAreEvaluatedOnce(t *testing.T) {
	m := smallMap(t)
	file := &readBytes{ReaderAt: bytes.NewReader(smallImage(nil))}
	im, err := image.New(file, int64(len(smallImage(nil))), image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	reads := func(do func() error) int {
		file.n = 0
		require.NoError(t, do())
		return file.n
	}
	examined := reads(func() error { _, err := readcheck.Examine(m, im); return err })
	verified := reads(func() error { _, err := Verify(m, im); return err })
	gated := reads(func() error {
		_, err := Gate(GateInput{Original: im, Modified: raw(t, smallImage(nil)), Map: m})
		return err
	})
	compared := reads(func() error { _, err := Compare(im, raw(t, smallImage(nil)), m, Options{}); return err })
	const rules, rest = 0x1FFC + 0xEFC, 0x800 // bytes the rules of the map count; fields and tables
	assert.Less(t, verified, examined+rest)
	assert.Less(t, gated, examined+compared-rules+rest)
}
