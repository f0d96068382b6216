package checksum_test

import (
	"encoding/json"
	"math/big"
	"strings"
	"testing"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestValueText(t *testing.T) {
	assert.Equal(t, "0x0A", checksum.NewValue(7, 10).String())
	assert.Equal(t, "0x00C", checksum.NewValue(12, 12).String())
	assert.Equal(t, "0xCBF43926", checksum.NewValue(32, 0xCBF43926).String())
	assert.Equal(t, "0x000000000000000000001", checksum.NewValue(82, 1).String())
	assert.Equal(t, "none", checksum.Value{}.String())
	text, err := json.Marshal(checksum.NewValue(16, 0xBEEF))
	require.NoError(t, err)
	assert.Equal(t, `"0xBEEF"`, string(text))
}

func TestNewValueDropsBitsBeyondTheWidth(t *testing.T) {
	assert.Equal(t, checksum.NewValue(3, 5), checksum.NewValue(3, 0xFD))
	assert.NotEqual(t, checksum.NewValue(3, 5), checksum.NewValue(4, 5), "widths differ")
	assert.Equal(t, checksum.Value{}, checksum.NewValue(0, 1))
	assert.Equal(t, checksum.Value{}, checksum.NewValue(513, 1))
}

func TestParseValue(t *testing.T) {
	for _, c := range []struct {
		width int
		text  string
		want  string
	}{
		{8, "255", "0xFF"}, {8, "0xff", "0xFF"}, {8, "0XfF", "0xFF"}, {8, "0x00000000ff", "0xFF"},
		{32, "3421780262", "0xCBF43926"},
		{128, "d41d8cd98f00b204e9800998ecf8427e", "0xD41D8CD98F00B204E9800998ECF8427E"},
		{128, "0x10", "0x00000000000000000000000000000010"},
		{72, "000000000000000010", "0x000000000000000010"},
	} {
		v, err := checksum.ParseValue(c.width, c.text)
		require.NoError(t, err, c.text)
		assert.Equal(t, c.want, v.String())
		assert.Equal(t, c.width, v.Width())
	}
	for text, part := range map[string]string{
		"":                        "is no number",
		"0x":                      "is no number",
		"ff":                      "is no number",
		"0x1_0":                   "is no number",
		"-1":                      "is no number",
		"+1":                      "is no number",
		" 1":                      "is no number",
		"0b1":                     "is no number",
		"256":                     "does not fit in 8 bits",
		"0x100":                   "does not fit in 8 bits",
		strings.Repeat("9", 1000): "is no number",
	} {
		_, err := checksum.ParseValue(8, text)
		assert.ErrorContains(t, err, part, text)
	}
	_, err := checksum.ParseValue(72, "10")
	assert.ErrorContains(t, err, "write hexadecimal digits after 0x, or 18 hexadecimal digits")
	for _, width := range []int{-1, 0, 513} {
		_, err := checksum.ParseValue(width, "0")
		assert.ErrorContains(t, err, "must be 1 to 512")
		_, err = checksum.ValueFromBytes(width, nil)
		assert.ErrorContains(t, err, "must be 1 to 512")
	}
}

// The outside reference is math/big.
func TestValueIsANumber(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.IntRange(1, 512).Draw(t, "width")
		raw := rapid.SliceOfN(rapid.Byte(), 64, 64).Draw(t, "raw")
		n := new(big.Int).Rsh(new(big.Int).SetBytes(raw), uint(512-width))
		v, err := checksum.ValueFromBytes(width, n.FillBytes(make([]byte, (width+7)/8)))
		require.NoError(t, err)
		assert.Equal(t, n.Bytes(), new(big.Int).SetBytes(v.Bytes()).Bytes())
		u, fits := v.Uint64()
		assert.Equal(t, n.IsUint64(), fits)
		if fits {
			assert.Equal(t, n.Uint64(), u)
			assert.Equal(t, v, checksum.NewValue(width, u))
		}
		texts := []string{v.String(), strings.ToLower(v.String()), n.String()}
		if width > 64 {
			texts[2] = v.String()[2:]
		}
		for _, text := range texts {
			again, err := checksum.ParseValue(width, text)
			require.NoError(t, err)
			assert.Equal(t, v, again)
		}
	})
}

func TestValueFromBytesRefuses(t *testing.T) {
	_, err := checksum.ValueFromBytes(12, []byte{1, 2, 3})
	assert.ErrorContains(t, err, "has 2 bytes, not 3")
	_, err = checksum.ValueFromBytes(12, []byte{0x10, 2})
	assert.ErrorContains(t, err, "does not fit in 12 bits")
}
