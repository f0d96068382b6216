package image

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every character at every place of texts long and short, against
// encoding/hex.
func TestDecodeHex(t *testing.T) {
	for _, n := range []int{2, 4, 8, 10, 16, 22, 520} {
		text := []byte(strings.Repeat("09afAF5e", n)[:n])
		for at := range min(n, 24) {
			kept := text[at]
			for c := range 256 {
				text[at] = byte(c)
				want := make([]byte, n/2)
				_, err := hex.Decode(want, text)
				got := make([]byte, n/2)
				sum, ok := decodeHex(got, text)
				require.Equal(t, err == nil, ok, "%q", text)
				if !ok {
					continue
				}
				require.Equal(t, want, got)
				for _, b := range want {
					sum -= b
				}
				require.Zero(t, sum, "%q", text)
			}
			text[at] = kept
		}
	}
	_, ok := decodeHex(nil, nil)
	assert.True(t, ok)
}

func TestEncodeHex(t *testing.T) {
	for n := range 260 {
		data := make([]byte, n)
		want := byte(0)
		for i := range data {
			data[i] = byte(i*37 + n)
			want += data[i]
		}
		dst := bytes.Repeat([]byte{'-'}, 2*n+1)
		require.Equal(t, want, encodeHex(dst, data))
		require.Equal(t, strings.ToUpper(hex.EncodeToString(data))+"-", string(dst))
	}
}
