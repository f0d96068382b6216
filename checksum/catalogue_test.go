package checksum_test

import (
	"os"
	"strconv"
	"strings"
	"testing"

	"example.com/calproof/checksum"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var nine = []byte("123456789")

// readTSV returns the rows of a table in testdata, by column name.
func readTSV(t testing.TB, name string) []map[string]string {
	t.Helper()
	text, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	lines := strings.Split(strings.TrimRight(strings.ReplaceAll(string(text), "\r\n", "\n"), "\n"), "\n")
	head := strings.Split(lines[0], "\t")
	var rows []map[string]string
	for i, line := range lines[1:] {
		fields := strings.Split(line, "\t")
		require.Len(t, fields, len(head), "%s line %d", name, i+2)
		row := make(map[string]string)
		for j, f := range fields {
			row[head[j]] = f
		}
		rows = append(rows, row)
	}
	return rows
}

func mustLookup(t testing.TB, name string) checksum.Algorithm {
	t.Helper()
	a, err := checksum.Lookup(name)
	require.NoError(t, err)
	return a
}

func parse(t testing.TB, width int, s string) checksum.Value {
	t.Helper()
	v, err := checksum.ParseValue(width, s)
	require.NoError(t, err)
	return v
}

// rowParams reads the parameters of a row of crc-catalogue.tsv.
func rowParams(t testing.TB, row map[string]string) checksum.CRCParams {
	t.Helper()
	width, err := strconv.Atoi(row["width"])
	require.NoError(t, err)
	p := checksum.CRCParams{
		Name: row["name"], Width: width,
		Poly: parse(t, width, row["poly"]), Init: parse(t, width, row["init"]),
		RefIn: row["refin"] == "true", RefOut: row["refout"] == "true",
		XorOut: parse(t, width, row["xorout"]),
		Check:  parse(t, width, row["check"]), Residue: parse(t, width, row["residue"]),
	}
	if row["aliases"] != "" {
		p.Aliases = strings.Split(row["aliases"], ",")
	}
	return p
}

// catalogue returns the CRCs of All.
func catalogue() []checksum.Algorithm {
	var list []checksum.Algorithm
	for _, a := range checksum.All() {
		if a.Family() == checksum.FamilyCRC {
			list = append(list, a)
		}
	}
	return list
}

func params(t testing.TB, a checksum.Algorithm) checksum.CRCParams {
	t.Helper()
	p, ok := a.CRC()
	require.True(t, ok, a.Name())
	return p
}

// bits gives the bits of a message in the order in which the catalogue's model
// takes them, and those of a checksum from the highest power down; where input
// and output differ in reflection, the checksum is reversed first.
func messageBits(p checksum.CRCParams, data []byte) []uint64 {
	var list []uint64
	for _, b := range data {
		for i := range 8 {
			if p.RefIn {
				list = append(list, uint64(b>>i&1))
			} else {
				list = append(list, uint64(b>>(7-i)&1))
			}
		}
	}
	return list
}

func valueBits(v checksum.Value) []uint64 { // most significant first
	var list []uint64
	for _, b := range v.Bytes() {
		for i := range 8 {
			list = append(list, uint64(b>>(7-i)&1))
		}
	}
	return list[len(list)-v.Width():]
}

func reversed(b []uint64) []uint64 {
	r := make([]uint64, len(b))
	for i := range b {
		r[len(b)-1-i] = b[i]
	}
	return r
}

// residueOf reads a message and its checksum bit by bit and returns the
// register, as the catalogue defines the residue.
func residueOf(p checksum.CRCParams, message []byte, sum checksum.Value) []uint64 {
	stream := messageBits(p, message)
	if p.RefOut {
		stream = append(stream, reversed(valueBits(sum))...)
	} else {
		stream = append(stream, valueBits(sum)...)
	}
	reg, poly := valueBits(p.Init), valueBits(p.Poly)
	for _, bit := range stream {
		top := reg[0] ^ bit
		reg = append(append([]uint64(nil), reg[1:]...), 0)
		for i := range reg {
			reg[i] ^= poly[i] & -top
		}
	}
	if p.RefOut {
		reg = reversed(reg)
	}
	return reg
}

func TestCatalogueIsTheTable(t *testing.T) {
	rows := readTSV(t, "crc-catalogue.tsv")
	list := catalogue()
	require.Equal(t, 113, len(rows), "rows of the catalogue: a new one is counted here")
	require.Equal(t, len(rows), len(list), "run: go generate ./checksum")
	for i, row := range rows {
		a, want := list[i], rowParams(t, row)
		got := params(t, a)
		assert.NotEmpty(t, got.Source, a.Name())
		got.Source = ""
		assert.Equal(t, want, got, row["name"])
		assert.Equal(t, row["name"], a.Name())
		assert.Equal(t, want.Width, a.Width())
		assert.Equal(t, want.Aliases, a.Aliases())
		assert.Equal(t, want.Check, a.Check(), row["name"])
		for _, name := range append([]string{row["name"]}, want.Aliases...) {
			assert.True(t, a == mustLookup(t, name), name)
		}
	}
}

// Check and residue come from the catalogue.
func TestCatalogueCheckAndResidue(t *testing.T) {
	for _, a := range catalogue() {
		p := params(t, a)
		assert.Equal(t, p.Check, a.Checksum(nine), "check of %s", a.Name())
		assert.Equal(t, p.Check, bitwiseCRC(p, nine), "check of %s, bitwise", a.Name())
		for _, message := range []string{"123456789", "", "\x00", "gap"} {
			sum := a.Checksum([]byte(message))
			assert.Equal(t, valueBits(p.Residue), residueOf(p, []byte(message), sum), "residue of %s after %q", a.Name(), message)
		}
		_, err := checksum.NewCRC(p) // which computes both anew by other means
		assert.NoError(t, err)
	}
}

// AUTOSAR, "Specification of CRC Routines", R20-11.
func TestAutosarVectors(t *testing.T) {
	vectors, published := 0, 0
	for _, row := range readTSV(t, "autosar-crc-vectors.tsv") {
		a := mustLookup(t, row["catalogue_name"])
		want := parse(t, a.Width(), "0x"+row["result_hex"])
		switch row["kind"] {
		case "vector", "check":
			assert.Equal(t, want, a.Checksum(unhex(t, row["data_hex"])), "%s of %s", a.Name(), row["data_hex"])
			vectors++
		default:
			assert.Equal(t, want, params(t, a).Residue, "magic check of %s", a.Name())
			published++
		}
	}
	assert.Equal(t, 49+7, vectors)
	assert.Equal(t, 7, published)
}
