package vin_test

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image/vin"
)

// TestPublished checks every row of testdata/vin.tsv: the VINs printed with
// their check digit by the sources named in its last column, and the weights
// and letter values of 49 CFR 565.15(c) tables III and IV through VINs in
// which a single character counts.
func TestPublished(t *testing.T) {
	f, err := os.Open("testdata/vin.tsv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma, r.LazyQuotes = '\t', true
	rows, err := r.ReadAll()
	require.NoError(t, err)
	counts := map[string]int{}
	for _, row := range rows[1:] {
		kind, key := row[0], row[1]
		counts[kind]++
		switch kind {
		case "vin":
			got, err := vin.Check(key)
			require.NoError(t, err, key)
			assert.Equal(t, row[5], string(got.Computed), key)
			assert.Equal(t, row[6], string(got.Found), key)
			assert.Equal(t, row[7] == "yes", got.Agrees(), key)
			assert.Equal(t, got.Agrees(), got.Note() == "", key)
		case "weight":
			position, weight := number(t, key), number(t, row[2])
			if position == 9 {
				continue // its weight 0: TestCheckDigitPosition
			}
			text := []byte(strings.Repeat("0", vin.Length))
			text[position-1] = '1'
			got, err := vin.Check(string(text))
			require.NoError(t, err)
			assert.Equal(t, "0123456789X"[weight%11], got.Computed, "weight of position %d", position)
		case "transliteration":
			text := []byte(strings.Repeat("0", vin.Length))
			text[16], text[6] = key[0], '0' // position 17 has weight 2
			got, err := vin.Check(string(text))
			require.NoError(t, err)
			assert.Equal(t, "0123456789X"[number(t, row[2])*2%11], got.Computed, "value of %s", key)
		case "forbidden":
			_, err := vin.Check("1M8GDM9AXKP04278" + key)
			assert.ErrorContains(t, err, "at position 17")
		}
	}
	assert.Equal(t, map[string]int{"weight": 17, "transliteration": 33, "forbidden": 3, "vin": 13}, counts)
}

func TestCheckDigitPosition(t *testing.T) {
	for _, c := range "0123456789ABCDEFGHJKLMNPRSTUVWXYZ" {
		got, err := vin.Check("11111111" + string(c) + "11111111")
		require.NoError(t, err)
		assert.Equal(t, byte('1'), got.Computed)
		assert.Equal(t, byte(c), got.Found)
	}
}

func TestMalformed(t *testing.T) {
	for text, want := range map[string]string{
		"":                   "0 characters",
		"1M8GDM9AXKP04278":   "16 characters",
		"1M8GDM9AXKP0427888": "18 characters",
		"1m8GDM9AXKP042788":  `'m' at position 2`,
		"1M8GDM9AXKPO4278Q":  `'O' at position 12, 'Q' at position 17`,
		"groomer 2":          "9 characters instead of 17, and",
	} {
		_, err := vin.Check(text)
		assert.ErrorContains(t, err, want, text)
	}
}

func TestWithin(t *testing.T) {
	for text, want := range map[string]bool{
		"1M8GDM9AXKP042788":                true,
		"groomer 1m8gdm9axkp042788 (blue)": true,
		"x1M8GDM9AXKP042788":               true, // part of a longer word
		"1M8GDM9AXKP042788x":               true,
		"1M8GDM9A-XKP042788":               true,
		"1M8 GDM9AX KP042788":              true,
		"1M8GDM9AXKP04278O":                true, // O for 0
		"1M8GDM9AXKP04278":                 false,
		"Northern ridge groomer 2014":      false,
		"Schneekatze Tal Ende 2014":        false, // no I, O or Q
		"Schneekatze Nord Nummer 417":      false,
		"groomer-two":                      false,
		"ABCDEFGHJKLMNPRST":                false, // a word without a digit
	} {
		assert.Equal(t, want, vin.Within(text), text)
	}
}

func TestAnyTextIsAnswered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		got, err := vin.Check(text)
		if err == nil {
			assert.Len(t, text, vin.Length)
			assert.Contains(t, "0123456789X", string(got.Computed))
		}
	})
}

func number(t *testing.T, s string) int {
	t.Helper()
	n, err := strconv.Atoi(s)
	require.NoError(t, err)
	return n
}
