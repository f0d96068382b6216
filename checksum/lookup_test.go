package checksum_test

import (
	"errors"
	"strings"
	"testing"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestEveryNameIsFoundAndGivenOnce(t *testing.T) {
	seen := make(map[string]string)
	for _, a := range checksum.All() {
		for _, name := range append([]string{a.Name()}, a.Aliases()...) {
			key := strings.ToLower(name)
			assert.Empty(t, seen[key], "%s names two algorithms", name)
			seen[key] = a.Name()
			for _, spelling := range []string{name, key, strings.ToUpper(name)} {
				assert.True(t, a == mustLookup(t, spelling), spelling)
			}
		}
		assert.NotEmpty(t, a.Source(), a.Name())
		assert.NotEmpty(t, a.Parameters(), a.Name())
		assert.Equal(t, a.Width(), a.Check().Width(), a.Name())
		assert.Equal(t, a.Check(), a.Checksum(nine), a.Name())
	}
}

func TestNotesWarnOfTraps(t *testing.T) {
	for name, part := range map[string]string{
		"CRC-16/CCITT": "CRC-16/IBM-3740", "CRC-16/CCITT-FALSE": "CRC-16/KERMIT", "CKSUM": "posix-cksum",
		"posix-cksum": "CRC-32/CKSUM", "lrc-8-twos-complement": "xor-8", "fletcher-32": "starts at 0", "MD5": "accidents",
	} {
		assert.Contains(t, mustLookup(t, name).Note(), part, name)
	}
	assert.Empty(t, mustLookup(t, "CRC-32").Note())
}

func TestAllIsACopy(t *testing.T) {
	first := checksum.All()
	first[0] = first[1]
	assert.Equal(t, "CRC-3/GSM", checksum.All()[0].Name())
	a := mustLookup(t, "CRC-32")
	a.Aliases()[0] = "changed"
	p := params(t, a)
	p.Aliases[0] = "changed"
	assert.Equal(t, "CRC-32", a.Aliases()[0])
}

func TestLookupSuggests(t *testing.T) {
	for name, want := range map[string]string{
		"crc32":                "CRC-32",
		"crc 32":               "CRC-32",
		"crc-32/isohdlc":       "CRC-32/ISO-HDLC",
		"CRC-16/CCIT":          "CRC-16/CCITT",
		"CRC16/CCITT-FALSE":    "CRC-16/CCITT-FALSE",
		"crc-16/xmodme":        "CRC-16/XMODEM",
		"modbus-crc":           "MODBUS",
		"ccitt":                "CRC-CCITT",
		"cksum32":              "CKSUM",
		"checksum":             "internet-checksum",
		"adler32":              "adler-32",
		"fletcher":             "fletcher-16",
		"sha 256":              "SHA-256",
		"sum-16/u16-le":        "sum-16/u16le",
		"internet-cheksum":     "internet-checksum",
		"sum-16":               "sum-16/u8",
		" CRC-32":              "CRC-32", // blanks are not ignored
		"lrc-8-two-complement": "lrc-8-twos-complement",
	} {
		_, err := checksum.Lookup(name)
		var unknown *checksum.UnknownError
		require.True(t, errors.As(err, &unknown), name)
		assert.Equal(t, name, unknown.Name)
		require.NotEmpty(t, unknown.Near, name)
		assert.Equal(t, want, unknown.Near[0], name)
		assert.LessOrEqual(t, len(unknown.Near), 5)
		for _, n := range unknown.Near {
			mustLookup(t, n)
		}
		assert.ErrorContains(t, err, "did you mean "+want)
	}
	_, err := checksum.Lookup("crc16")
	assert.EqualError(t, err, `unknown algorithm "crc16"; did you mean CRC-16, R-CRC-16, X-CRC-16, CRC-16/CMS or CRC-16/DNP?`)
	for _, name := range []string{"", "zzz", "CRC-99/NOBODY-KNOWS-THIS", strings.Repeat("crc", 10000), "\x00\xFF"} {
		_, err := checksum.Lookup(name)
		assert.ErrorContains(t, err, "unknown algorithm")
		assert.Less(t, len(err.Error()), 500)
	}
}
