package maps_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// TestSealsOfAnyMap builds maps of random rules over random bytes. Every field
// lies in a slot of its own, and a rule may cover the slots of rules after it
// in the list, so that there is an order but no loop.
func TestSealsOfAnyMap(t *testing.T) {
	algorithms := []string{"CRC-32/ISO-HDLC", "CRC-16/IBM-3740", "CRC-12/UMTS", "CRC-5/USB", "sum-8/u8", "sum-16/u8", "sum-32/u16le/twos-complement",
		"carry-16/u16be/ones-complement", "xor-8/u8", "fletcher-16", "adler-32", "SHA-256", "bsd-sum"}
	forms := []string{"plain", "complemented", "negated", "value_then_complement", "complement_then_value"}
	rapid.Check(t, func(t *rapid.T) {
		const slot, size = 0x80, 0x1000
		n := rapid.IntRange(1, 12).Draw(t, "rules")
		var rules []string
		for i := range n {
			var cover []string
			for range rapid.IntRange(1, 3).Draw(t, "ranges") {
				start := (i+1)*slot + rapid.IntRange(0, size-(n+1)*slot-1).Draw(t, "start")
				cover = append(cover, fmt.Sprintf(`"0x%X+%d"`, start, rapid.IntRange(1, min(600, size-start)).Draw(t, "length")))
			}
			rule := fmt.Sprintf("\n[[checksum]]\nname = \"%d\"\nalgorithm = %q\ncover = [%s]\npad = { to = 4 }\n", i, rapid.SampledFrom(algorithms).Draw(t, "algorithm"), strings.Join(cover, ", "))
			rule += fmt.Sprintf("stored = { at = 0x%X, form = %q, byte_order = %q, upper = %q }\n", i*slot,
				rapid.SampledFrom(forms).Draw(t, "form"), rapid.SampledFrom([]string{"big", "little"}).Draw(t, "order"), rapid.SampledFrom([]string{"zero", "ones", "ignore"}).Draw(t, "upper"))
			rules = append(rules, rule)
		}
		if rule := rapid.SampledFrom([]string{"", `algorithm = "CRC-16/IBM-3740"`, "sum = { width = 16, word = 2 }", `algorithm = "xor-16/u16le"`, `algorithm = "carry-16/u16be/ones-complement"`}).Draw(t, "target over all"); rule != "" {
			rules = append(rules, fmt.Sprintf("\n[[checksum]]\nname = \"target\"\n%s\ncover = [\"0x0+%d\", \"0x%X+2\"]\ntarget = 0x1234\nrebalance = { at = 0x%X, bytes = 2 }\n", rule, size, size, size))
		}
		rules = rapid.Permutation(rules).Draw(t, "order of rules")
		m, err := maps.Parse("random.toml", fmt.Appendf(nil, "format = 1\n[image]\nsize = %d\nbyte_order = \"big\"\n%s", size+2, strings.Join(rules, "")))
		require.NoError(t, err)
		im, err := image.FromSegments(image.Segment{Data: rapid.SliceOfN(rapid.Byte(), size+2, size+2).Draw(t, "bytes")})
		require.NoError(t, err)
		b, err := maps.Bind(m, im)
		require.NoError(t, err)
		patches, err := b.Seal()
		require.NoError(t, err)
		anew, errs := maps.SealSeparately(b)
		require.Empty(t, errs)
		require.Equal(t, anew, patches)
		sealed, err := b.Apply(patches)
		require.NoError(t, err)
		require.Empty(t, failures(t, sealed))
		again, err := sealed.Seal()
		require.NoError(t, err)
		require.Empty(t, again, "a sealed image needs no seal")
	})
}
