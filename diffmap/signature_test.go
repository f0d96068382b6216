package diffmap

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// signedMap has a signature that says what it covers: the last 16 bytes of an
// editable region.
const signedMap = `format = 1
[image]
size = 0x40000
byte_order = "big"
[[region]]
name = "values"
range = "0x0-0x3FEFF"
role = "calibration"
[[region]]
name = "seal"
range = "0x3FF00-0x3FFFF"
role = "signature"
cover = ["0x3FEF0-0x3FEFF"]
`

// A change that a signature covers fails the gate, also where so many bytes
// changed before it that the list of changes is full.
func TestSignatureBroken(t *testing.T) {
	m, err := maps.Parse("signed.toml", []byte(signedMap))
	require.NoError(t, err)
	before := bytes.Repeat([]byte{1}, 0x40000)
	scattered := bytes.Clone(before)
	for i := 0; i < 0x3FE00; i += 2 {
		scattered[i] = 2
	}
	covered := bytes.Clone(scattered)
	covered[0x3FEF8] = 2
	one := bytes.Clone(before)
	one[0x3FEF8] = 2
	where := []image.Range{{Start: 0x3FEF8, Size: 1}}
	for name, c := range map[string]struct {
		modified []byte
		hit      []image.Range
	}{
		"nothing":            {before, nil},
		"many, none covered": {scattered, nil},
		"one, covered":       {one, where},
		"many, one covered":  {covered, where},
	} {
		t.Run(name, func(t *testing.T) {
			res, err := Gate(GateInput{Original: bound(t, m, before), Modified: bound(t, m, c.modified)})
			require.NoError(t, err)
			var hit []image.Range
			for _, f := range res.Findings() {
				if f.Code == CodeSignatureBroken {
					assert.Equal(t, evidence.Fault, f.Severity)
					assert.Equal(t, "seal", f.Region)
					hit = append(hit, f.Ranges...)
				}
			}
			assert.Equal(t, c.hit, hit)
		})
	}
}
