package report

import (
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"fmt"
	"hash/crc32"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/imagetest"
	"example.com/calproof/maps"
	"example.com/calproof/maps/demo"
)

// Hashes and entropy of an image come from one reading of its file. Its first
// bytes are also looked at to tell the format; with a map, fields and tables are
// read by themselves.
func TestInspectReadsOnce(t *testing.T) {
	files, err := demo.Files()
	require.NoError(t, err)
	m, err := maps.Parse(demo.MapName, files[0].Data)
	require.NoError(t, err)
	data := files[1].Data
	apart := []image.Range{{Start: 0, Size: 4096}}
	for _, table := range m.Tables {
		apart = append(apart, table.Range())
		for _, axis := range []*maps.AxisSpec{table.X, table.Y} {
			if r, ok := axis.Range(); ok {
				apart = append(apart, r)
			}
		}
	}
	for _, id := range m.Identities {
		apart = append(apart, id.Range)
	}
	for name, with := range map[string]*maps.Map{"no map": nil, "map": m} {
		t.Run(name, func(t *testing.T) {
			f := &imagetest.CountedFile{Data: data}
			b, err := maps.New("file", f, int64(len(data)), with, image.Options{})
			require.NoError(t, err)
			f.Reset()
			d, err := Inspect("file", b)
			require.NoError(t, err)
			f.Once(t, apart...)
			assert.Equal(t, fmt.Sprintf("%x", sha256.Sum256(data)), d.SHA256)
			assert.Equal(t, fmt.Sprintf("%x", sha1.Sum(data)), d.SHA1)
			assert.Equal(t, fmt.Sprintf("%x", md5.Sum(data)), d.MD5)
			assert.Equal(t, fmt.Sprintf("0x%08X", crc32.ChecksumIEEE(data)), d.CRC32)
		})
	}
}
