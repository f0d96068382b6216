package edits

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"hash/adler32"
	"testing"

	"github.com/stretchr/testify/require"
)

// benchSize is far beyond any controller: one pass must stay one pass.
const benchSize = 64 << 20

// benchFile is n edits of one stretch each, with two anchors.
func benchFile(b *testing.B, n int) *File {
	base := random(2, n*256)
	f := &File{}
	for i := range n {
		rec, err := Record(at(b, 0, base), at(b, 0, changed(base, i*256+128)), nil, RecordOptions{Name: fmt.Sprintf("edit %d", i)})
		require.NoError(b, err)
		f.Edits = append(f.Edits, rec.Edit)
	}
	return f
}

func BenchmarkFind(b *testing.B) {
	for _, content := range []struct {
		name string
		data []byte
	}{{"random", random(1, benchSize)}, {"erased", bytes.Repeat([]byte{0xFF}, benchSize)}} {
		im := at(b, 0, content.data)
		for _, n := range []int{1, 100} {
			file := benchFile(b, n)
			b.Run(fmt.Sprintf("content=%s/edits=%d", content.name, n), func(b *testing.B) {
				b.SetBytes(benchSize)
				for b.Loop() {
					if _, err := Find(im, file); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
		// Peers: one look at every byte, by a hash and by the moving sum's model.
		b.Run("content="+content.name+"/peer=sha256", func(b *testing.B) {
			b.SetBytes(benchSize)
			for b.Loop() {
				sha256.Sum256(content.data)
			}
		})
		b.Run("content="+content.name+"/peer=adler32", func(b *testing.B) {
			b.SetBytes(benchSize)
			for b.Loop() {
				adler32.Checksum(content.data)
			}
		})
	}
}
