package report

import (
	"bytes"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"fmt"
	"hash/crc32"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/maps"
	"example.com/calproof/maps/demo"
)

// askedFile counts how often each byte is asked for.
type askedFile struct {
	data  []byte
	asked []int
}

func (f *askedFile) ReadAt(p []byte, off int64) (int, error) {
	n, err := bytes.NewReader(f.data).ReadAt(p, off)
	for i := range n {
		f.asked[int(off)+i]++
	}
	return n, err
}

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
			f := &askedFile{data, make([]int, len(data))}
			b, err := maps.New("file", f, int64(len(data)), with, image.Options{})
			require.NoError(t, err)
			clear(f.asked)
			d, err := Inspect("file", b)
			require.NoError(t, err)
			whole := []image.Range{{Size: uint64(len(data))}}
			for _, r := range image.SubtractRanges(whole, image.MergeRanges(apart)) {
				for addr := r.Start; addr != r.End(); addr++ {
					if f.asked[addr] != 1 {
						t.Fatalf("the byte at 0x%X is asked for %d times", addr, f.asked[addr])
					}
				}
			}
			assert.Equal(t, fmt.Sprintf("%x", sha256.Sum256(data)), d.SHA256)
			assert.Equal(t, fmt.Sprintf("%x", sha1.Sum(data)), d.SHA1)
			assert.Equal(t, fmt.Sprintf("%x", md5.Sum(data)), d.MD5)
			assert.Equal(t, fmt.Sprintf("0x%08X", crc32.ChecksumIEEE(data)), d.CRC32)
		})
	}
}
