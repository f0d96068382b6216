package main

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestTheTableIsUpToDate(t *testing.T) {
	in, err := os.Open("../../testdata/crc-catalogue.tsv")
	require.NoError(t, err)
	defer in.Close()
	want, err := generate(in)
	require.NoError(t, err)
	have, err := os.ReadFile("../../catalogue_table.go")
	require.NoError(t, err)
	assert.Equal(t, string(want), strings.ReplaceAll(string(have), "\r\n", "\n"), "run: go generate ./checksum")
}

func TestGenerateRefuses(t *testing.T) {
	row := "CRC-3/GSM\t3\t0x3\t0x0\tfalse\tfalse\t0x7\t0x4\t0x2\t\n"
	_, err := generate(strings.NewReader(columns + "\n" + row))
	require.NoError(t, err)
	_, err = generate(strings.NewReader(row))
	assert.ErrorContains(t, err, "line 1: the columns")
	_, err = generate(strings.NewReader(columns + "\n" + row + "CRC\t3\n"))
	assert.ErrorContains(t, err, "line 3: 2 columns, not 10")
	_, err = generate(strings.NewReader(columns + "\n" + strings.Replace(row, "0x7", "seven", 1)))
	assert.ErrorContains(t, err, `line 2, column 7: "seven"`)
}
