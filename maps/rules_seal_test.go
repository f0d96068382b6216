package maps_test

import (
	"encoding/binary"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

func TestTargets(t *testing.T) {
	data := noise(0x100)
	var sum byte
	for _, x := range data[:0x7F] {
		sum += x
	}
	data[0x7F] = -sum // so that all add up to zero
	var words uint16
	for at := 0x80; at < 0xA0; at += 2 {
		words += binary.BigEndian.Uint16(data[at:])
	}
	binary.BigEndian.PutUint16(data[0xA0:], 0x5AA5-words)
	// A CRC over data and its own CRC, most significant byte first: the
	// register ends at zero (the residue of CRC-16/IBM-3740 is 0x0000 in
	// Greg Cook's catalogue).
	put(data, 0xB0, "31323334353637383929B1") // "123456789", check 0x29B1
	b := flat(t, data, `
[[checksum]]
name      = "zero sum"
algorithm = "sum-8/u8"
cover     = ["0x0-0x7F"]
target    = 0
rebalance = { at = 0x7F, bytes = 1 }
[[checksum]]
name      = "constant sum"
sum       = { width = 16, word = 2 }
cover     = ["0x80-0xA1"]
target    = 0x5AA5
rebalance = { at = 0xA0, bytes = 2 }
[[checksum]]
name      = "residue"
algorithm = "CRC-16/IBM-3740"
cover     = ["0xB0-0xBA"]
target    = 0x0
rebalance = { at = 0xB9, bytes = 2 }
`)
	proves(t, b, []uint64{0, 0x7E, 0x7F, 0x80, 0x9F, 0xB0, 0xBA}, []uint64{0xA2, 0xBB}, "0x7F+1", "0xA0+2", "0xB9+2")
	r := b.Check()[0]
	assert.Equal(t, "0x00", r.Stored)
	assert.Nil(t, r.Field)
	assert.Equal(t, image.Range{Start: 0x7F, Size: 1}, *r.Cell)
}

func TestRebalance(t *testing.T) {
	for name, rule := range map[string]string{
		"CRC, cell in the middle": `algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0xFF"]
target = 0xDEADBEEF
rebalance = { at = 0x21, bytes = 4 }`,
		"CRC, cell wider than the value": `algorithm = "CRC-12/UMTS"
cover = ["0x0-0xFF"]
target = 0x123
rebalance = { at = 0xF8, bytes = 4 }`,
		"xor": `sum = { width = 32, word = 4, op = "xor" }
cover = ["0x0-0xFF"]
target = 0
rebalance = { at = 0x40, bytes = 4 }`,
		"sum of words, little": `sum = { width = 32, word = 4, byte_order = "little" }
cover = ["0x0-0xFF"]
target = 0x12345678
rebalance = { at = 0x40, bytes = 4 }`,
		"sum of words, cell across words": `sum = { width = 16, word = 2 }
cover = ["0x0-0xFF"]
target = 0x0
rebalance = { at = 0x41, bytes = 2 }`,
		"two's complement": `sum = { width = 16, word = 2, form = "twos_complement" }
cover = ["0x0-0xFF"]
target = 0x1
rebalance = { at = 0x40, bytes = 2 }`,
		"end-around carry": `sum = { width = 16, word = 2, op = "add_carry", form = "ones_complement" }
cover = ["0x0-0xFF"]
target = 0x0
rebalance = { at = 0x40, bytes = 2 }`,
		"end-around carry, other side": `sum = { width = 16, word = 2, op = "add_carry" }
cover = ["0x0-0xFF"]
target = 0x1
rebalance = { at = 0x40, bytes = 2 }`,
		"end-around carry, all ones": `sum = { width = 16, word = 2, op = "add_carry" }
cover = ["0x0-0xFF"]
target = 0xFFFF
rebalance = { at = 0x40, bytes = 2 }`,
		"bytes counted three times": `algorithm = "sum-8/u8"
cover = ["0x0-0xFF", "0x80-0x8F", "0x80-0x8F"]
target = 0x0
rebalance = { at = 0x80, bytes = 2 }
count = [{ range = "0x10-0x10", as = 0 }]`,
		"64 bits": `sum = { width = 64, word = 8 }
cover = ["0x0-0xFF"]
target = "0xFFFFFFFFFFFFFFFF"
rebalance = { at = 0x10, bytes = 8 }`,
	} {
		t.Run(name, func(t *testing.T) {
			b := flat(t, noise(0x100), "[[checksum]]\nname = \"target\"\n"+rule)
			require.NotEmpty(t, failures(t, b))
			patches, err := b.Seal()
			require.NoError(t, err)
			require.Len(t, patches, 1)
			sealed, err := b.Apply(patches)
			require.NoError(t, err)
			assert.Empty(t, failures(t, sealed))
			assert.Equal(t, sealed.Check()[0].Stored, sealed.Check()[0].Computed)
		})
	}
}

func TestWhatCannotBeSealed(t *testing.T) {
	t.Run("no field", func(t *testing.T) {
		b := flat(t, noise(0x100), `
[[checksum]]
name = "bare target"
algorithm = "sum-8/u8"
cover = ["0x0-0xFF"]
target = 0
`)
		_, err := b.Seal()
		var e *maps.NoFieldError
		require.ErrorAs(t, err, &e)
		assert.Equal(t, "bare target", e.Rule)
	})
	t.Run("out of reach", func(t *testing.T) {
		b := flat(t, noise(0x100), `
[[checksum]]
name = "small cell"
sum = { width = 32 }
cover = ["0x0-0xFF"]
target = 0xFFFFFF
rebalance = { at = 0x0, bytes = 2 }
`)
		_, err := b.Seal()
		require.ErrorContains(t, err, "no content of the cell reaches the target")
	})
	t.Run("no way known", func(t *testing.T) {
		b := flat(t, noise(0x100), `
[[checksum]]
name = "digest"
algorithm = "SHA-256"
cover = ["0x0-0xFF"]
target = 0
rebalance = { at = 0x0, bytes = 2 }
`)
		_, err := b.Seal()
		require.ErrorContains(t, err, "only sums and CRCs can be rebalanced")
	})
	t.Run("a loop that only the image shows", func(t *testing.T) {
		data := noise(0x100)
		data[0], data[1] = 0x80, 0x82 // where the fields are
		b := flat(t, data, `
[[checksum]]
name = "a"
algorithm = "CRC-16/IBM-3740"
cover = ["0x82-0x90"]
stored = { at = { at = 0x0, type = "u8" } }
[[checksum]]
name = "b"
algorithm = "CRC-16/IBM-3740"
cover = ["0x80-0x81"]
stored = { at = { at = 0x1, type = "u8" } }
`)
		_, err := b.Seal()
		var e *maps.LoopError
		require.ErrorAs(t, err, &e)
		assert.Equal(t, []string{"a", "b", "a"}, e.Rules)
	})
	t.Run("two fields at one place", func(t *testing.T) {
		data := noise(0x100)
		data[0], data[1] = 0x80, 0x81
		b := flat(t, data, `
[[checksum]]
name = "a"
algorithm = "CRC-16/IBM-3740"
cover = ["0x10-0x1F"]
stored = { at = { at = 0x0, type = "u8" } }
[[checksum]]
name = "b"
algorithm = "CRC-16/IBM-3740"
cover = ["0x20-0x2F"]
stored = { at = { at = 0x1, type = "u8" } }
`)
		_, err := b.Seal()
		require.ErrorContains(t, err, "overlap")
	})
	t.Run("a length that a seal changes", func(t *testing.T) {
		b := flat(t, noise(0x100), `
[[checksum]]
name = "a"
algorithm = "CRC-16/IBM-3740"
cover = ["0x10-0x1F"]
stored = { at = 0x80 }
[[checksum]]
name = "b"
algorithm = "CRC-16/IBM-3740"
cover = [{ start = 0x20, length = { at = 0x80, type = "u8", plus = 1 } }]
stored = { at = 0xF0 }
gaps = "skip"
`)
		_, err := b.Seal()
		require.ErrorContains(t, err, "after all rules were sealed")
	})
	t.Run("the field is missing", func(t *testing.T) {
		m := parse(t, 0x100, `
[[checksum]]
name = "a"
algorithm = "CRC-16/IBM-3740"
cover = ["0x10-0x1F"]
stored = { at = 0x80 }
`)
		b := apply(t, m, image.Segment{Data: noise(0x80)})
		r := b.Check()[0]
		assert.Equal(t, evidence.Fail, r.Verdict)
		assert.Contains(t, r.Reason, "the stored value cannot be read: the image holds no byte at 0x80")
		assert.NotEmpty(t, r.Computed)
		_, err := b.Seal()
		require.Error(t, err)
	})
}

// TestDependencyThroughASeed has a rule that covers no other one's field, but
// starts from one that does.
func TestDependencyThroughASeed(t *testing.T) {
	b := flat(t, noise(0x100), `
[[checksum]]
name = "seeded"
algorithm = "CRC-16/IBM-3740"
init_from = "middle"
cover = ["0x80-0x8F"]
stored = { at = 0xF0 }
[[checksum]]
name = "middle"
algorithm = "CRC-16/IBM-3740"
cover = ["0x0-0x1F"]
stored = { at = 0xF2 }
[[checksum]]
name = "inner"
algorithm = "CRC-16/IBM-3740"
cover = ["0x20-0x2F"]
stored = { at = 0x10 }
`)
	patches, err := b.Seal()
	require.NoError(t, err)
	require.Len(t, patches, 3)
	assert.Equal(t, []string{"inner", "middle", "seeded"}, []string{patches[0].Rule, patches[1].Rule, patches[2].Rule})
}

// TestDependencyOrder has three rules in a chain, written in the wrong order,
// and a zero sum over all of them.
func TestDependencyOrder(t *testing.T) {
	b := flat(t, noise(0x400), `
[[checksum]]
name = "everything"
algorithm = "sum-8/u8"
cover = ["0x0-0x3FF"]
target = 0
rebalance = { at = 0x3FF, bytes = 1 }
[[checksum]]
name = "header"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0x1F"]
stored = { at = 0x4, counted_as = 0 }
[[checksum]]
name = "header's copy, as a file"
algorithm = "SHA-256"
cover = ["0x0-0x1F"]
stored = { at = 0x40 }
[[checksum]]
name = "data"
algorithm = "CRC-16/IBM-3740"
cover = ["0x100-0x3F0"]
stored = { at = 0x10 }
[[checksum]]
name = "number of the data's CRC"
algorithm = "CRC-8/SMBUS"
cover = ["0x10-0x11"]
stored = { at = 0x12 }
`)
	patches, err := b.Seal()
	require.NoError(t, err)
	var order []string
	for _, p := range patches {
		order = append(order, p.Rule)
		assert.NotEqual(t, p.Before, p.After)
		old, err := b.Image.Bytes(image.Range{Start: p.Addr, Size: uint64(len(p.Before))})
		require.NoError(t, err)
		assert.Equal(t, old, p.Before, "Seal changes nothing")
	}
	assert.Equal(t, "everything", order[4])
	assert.Less(t, slices.Index(order, "data"), slices.Index(order, "number of the data's CRC"))
	assert.Less(t, slices.Index(order, "number of the data's CRC"), slices.Index(order, "header"))
	assert.Less(t, slices.Index(order, "header"), slices.Index(order, "header's copy, as a file"))
	sealed, err := b.Apply(patches)
	require.NoError(t, err)
	assert.Empty(t, failures(t, sealed))
	proves(t, sealed, []uint64{0, 0x1F, 0x100, 0x3F0, 0x3FF}, nil, "0x4+4", "0x10+3", "0x40+32", "0x3FF+1")
}
