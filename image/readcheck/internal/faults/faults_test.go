package faults

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every class damages a copy, the same way for the same seed, and visibly.
func TestClasses(t *testing.T) {
	good := Synth(rand.New(rand.NewPCG(1, 1)), 64<<10)
	require.Len(t, good, 64<<10)
	require.Equal(t, good, Synth(rand.New(rand.NewPCG(1, 1)), 64<<10))
	keep := bytes.Clone(good)
	seen := map[string]bool{}
	for _, c := range Classes() {
		require.False(t, seen[c.Name], "%s is there twice", c.Name)
		seen[c.Name] = true
		assert.NotEmpty(t, c.What, c.Name)
		assert.NotEmpty(t, c.Codes, c.Name)
		for seed := range uint64(30) {
			bad, how, ok := Inject(c, rand.New(rand.NewPCG(seed, 2)), good)
			require.True(t, ok, c.Name)
			require.NotEmpty(t, how, c.Name)
			again, _, _ := Inject(c, rand.New(rand.NewPCG(seed, 2)), good)
			require.True(t, bytes.Equal(bad, again), "%s, seed %d: another result the second time", c.Name, seed)
			require.False(t, bytes.Equal(bad, good), "%s: %s changes nothing", c.Name, how)
			require.True(t, bytes.Equal(good, keep), "%s: %s changes the original", c.Name, how)
		}
	}
}

// Erased memory has nothing to damage: Inject says so instead of counting it.
func TestInjectNeedsContent(t *testing.T) {
	blank := bytes.Repeat([]byte{0xFF}, 16<<10)
	for _, c := range Classes() {
		if c.Name == "address-line-stuck" || c.Name == "block-repeated" || c.Name == "bytes-swapped" {
			_, _, ok := Inject(c, rand.New(rand.NewPCG(1, 1)), blank)
			assert.False(t, ok, c.Name)
		}
	}
}
