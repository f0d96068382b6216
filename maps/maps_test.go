package maps

import (
	"encoding/binary"
	"hash/crc32"
	"os"
	"testing"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"github.com/stretchr/testify/require"
)

func TestSkeleton(t *testing.T) {
	m, err := Load("testdata/skeleton.toml")
	require.NoError(t, err)
	data := make([]byte, 0x80000)
	for i := range data {
		data[i] = byte(i*7 + i>>8)
	}
	copy(data[0x70120:], []byte{0x0F, 0xA0, 0x10, 0})
	copy(data[0x7FF00:], "SW-0001\x00\x00\x00\x00\x00\x00\x00\x00\x00")
	h := crc32.NewIEEE()
	h.Write(data[0x70000:0x7FFF0])
	h.Write(data[0x7FFF4:0x7FFFC])
	binary.LittleEndian.PutUint32(data[0x7FFFC:], h.Sum32())
	im, err := image.FromSegments(image.Segment{Data: data})
	require.NoError(t, err)
	b, err := Bind(m, im)
	require.NoError(t, err)
	r := b.Check()
	require.Len(t, r, 1)
	require.Equal(t, evidence.Pass, r[0].Verdict, r[0].Reason)
	t.Log(r[0].Finding())
	t.Logf("%+v", b.Tables())
	t.Logf("%+v %+v", b.Identity(), b.Coverage())
}

func TestBroken(t *testing.T) {
	data, _ := os.ReadFile("testdata/bad/broken.toml")
	_, err := Parse("broken.toml", data)
	t.Log("\n", err)
	require.Error(t, err)
}
