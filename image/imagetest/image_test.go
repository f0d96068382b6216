package imagetest_test

import (
	"bytes"
	"io"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/imagetest"
)

func open(t *testing.T, r io.ReaderAt, size int) *image.Image {
	t.Helper()
	im, err := image.New(r, int64(size), image.Options{Format: image.FormatRaw, Base: new(uint64(0x100))})
	require.NoError(t, err)
	return im
}

// The check finds every way in which an image can differ from what is wanted.
func TestTestImage(t *testing.T) {
	data := make([]byte, 70000)
	for i := range data {
		data[i] = byte(i) ^ byte(i>>8)
	}
	im := open(t, bytes.NewReader(data), len(data))
	seg := func(start uint64, data []byte) image.Segment { return image.Segment{Start: start, Data: data} }
	require.NoError(t, imagetest.TestImage(im, []image.Segment{seg(0x100, data)}))
	require.NoError(t, imagetest.TestImage(im, []image.Segment{seg(0x200, data[0x100:]), seg(0x100, data[:0x100]), seg(7, nil)}), "order, pieces and empty ones do not matter")

	changed := bytes.Clone(data)
	changed[69999]++
	for name, want := range map[string][]image.Segment{
		"nothing":        nil,
		"another place":  {seg(0x101, data)},
		"a byte less":    {seg(0x100, data[:69999])},
		"a byte more":    {seg(0x100, append(bytes.Clone(data), 0))},
		"first missing":  {seg(0x101, data[1:])},
		"a gap":          {seg(0x100, data[:500]), seg(0x100+501, data[501:])},
		"one more":       {seg(0x100, data), seg(0x80000, data[:1])},
		"last byte":      {seg(0x100, changed)},
		"all bytes":      {seg(0x100, make([]byte, len(data)))},
		"swapped halves": {seg(0x100, append(bytes.Clone(data[35000:]), data[:35000]...))},
	} {
		require.Error(t, imagetest.TestImage(im, want), name)
	}
}

// lying changes a byte of one read in a hundred.
type lying struct {
	io.ReaderAt
	reads *atomic.Int64
}

func (l lying) ReadAt(p []byte, off int64) (int, error) {
	n, err := l.ReaderAt.ReadAt(p, off)
	if n > 0 && l.reads.Add(1)%100 == 0 {
		p[n-1]++
	}
	return n, err
}

func TestTestImageFindsLies(t *testing.T) {
	data := []byte("some bytes that are read in more than one way")
	im := open(t, lying{bytes.NewReader(data), new(atomic.Int64)}, len(data))
	require.ErrorContains(t, imagetest.TestImage(im, []image.Segment{{Start: 0x100, Data: data}}), "instead of")
}
