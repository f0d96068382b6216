package diffmap

import (
	"bytes"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// checksumsOf returns the condition on checksums, and how many of its findings
// say that two ways of computing differ.
func checksumsOf(t *testing.T, in GateInput) (Condition, int) {
	res, err := Gate(in)
	require.NoError(t, err)
	c, differ := res.Conditions[2], 0
	require.Equal(t, ConditionChecksums, c.Code)
	for _, f := range c.Findings {
		if f.Code == CodeTwoWaysDiffer {
			differ++
		}
	}
	return c, differ
}

func TestTwoWays(t *testing.T) {
	const line = "also computed from the original's value and the changed bytes alone: equal"
	t.Run("equal", func(t *testing.T) {
		in := goodGate(t)
		c, differ := checksumsOf(t, in)
		assert.Equal(t, evidence.Pass, c.Verdict)
		assert.Zero(t, differ)
		assert.Contains(t, c.Evidence, "2 of 2 values "+line)
	})
	t.Run("equal, though stale", func(t *testing.T) {
		in := goodGate(t)
		p := smallImage(setIdle(0, 1300))
		p[0x2FFF]++
		in.Modified = bound(t, in.Original.Map, p)
		c, differ := checksumsOf(t, in)
		assert.Equal(t, evidence.Fail, c.Verdict)
		assert.Zero(t, differ)
		assert.Contains(t, c.Evidence, "2 of 2 values "+line)
	})
	t.Run("nothing changed", func(t *testing.T) {
		in := goodGate(t)
		in.Modified = bound(t, in.Original.Map, smallImage(nil))
		c, _ := checksumsOf(t, in)
		assert.Equal(t, evidence.Pass, c.Verdict)
		assert.Len(t, c.Evidence, 1)
	})
	t.Run("other addresses", func(t *testing.T) {
		in := goodGate(t)
		in.Modified = bound(t, in.Original.Map, append(smallImage(setIdle(0, 1300)), 1))
		c, _ := checksumsOf(t, in)
		assert.Len(t, c.Evidence, 1)
	})
	t.Run("too much changed", func(t *testing.T) {
		m, err := maps.Parse("large.toml", []byte("format = 1\n[image]\nsize = 0x20002\nbyte_order = \"big\"\n[[checksum]]\nname = \"all\"\nalgorithm = \"sum-16/u8\"\ncover = [\"0x0-0x1FFFF\"]\nstored = { at = 0x20000 }\n"))
		require.NoError(t, err)
		zeros := make([]byte, 0x20002)
		ones := bytes.Clone(zeros)
		for n, want := range map[int]bool{maxPredicted: true, maxPredicted + 1: false} {
			copy(ones, bytes.Repeat([]byte{1}, n))
			c, _ := checksumsOf(t, GateInput{Original: bound(t, m, zeros), Modified: bound(t, m, ones)})
			assert.Equal(t, want, slices.Contains(c.Evidence, "1 of 1 value "+line), n)
			clear(ones)
		}
	})
	t.Run("no value can be computed so", func(t *testing.T) {
		m, err := maps.Parse("digest.toml", []byte("format = 1\n[image]\nsize = 0x100\nbyte_order = \"big\"\n[[checksum]]\nname = \"all\"\nalgorithm = \"SHA-256\"\ncover = [\"0x0-0x7F\"]\nstored = { at = 0x80 }\n"))
		require.NoError(t, err)
		c, _ := checksumsOf(t, GateInput{Original: bound(t, m, make([]byte, 0x100)), Modified: bound(t, m, append([]byte{1}, make([]byte, 0xFF)...))})
		assert.Contains(t, c.Evidence, "no value can also be computed from the original's and the changed bytes alone")
	})
}

// unsteady gives another byte at addr whenever it is read again.
type unsteady struct {
	first, later []byte
	addr         int64
	armed, read  bool
}

func (u *unsteady) ReadAt(p []byte, off int64) (int, error) {
	from := u.first
	if u.read {
		from = u.later
	}
	if u.armed && off <= u.addr && u.addr < off+int64(len(p)) {
		u.read = true
	}
	return bytes.NewReader(from).ReadAt(p, off)
}

// A medium gives another byte when a change is read again, after the rules were
// evaluated and the images compared.
func TestTwoWaysDiffer(t *testing.T) {
	const addr = 0x2200
	u := &unsteady{first: smallImage(edits(flip(addr), setIdle(0, 1300))), addr: addr}
	u.later = bytes.Clone(u.first)
	u.later[addr] ^= 0x01
	in := goodGate(t)
	var err error
	in.Modified, err = maps.New("unsteady", u, int64(len(u.first)), in.Original.Map, image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	u.armed = true
	c, differ := checksumsOf(t, in)
	assert.Equal(t, evidence.Fail, c.Verdict)
	assert.Equal(t, 1, differ)
	assert.Contains(t, c.Evidence[len(c.Evidence)-1], "1 not equal")
	f := c.Findings[len(c.Findings)-1]
	assert.Equal(t, evidence.Fault, f.Severity)
	assert.Contains(t, f.Message, "from all bytes of the modified image, but 0x")
	assert.NotEmpty(t, f.Ranges)
}
