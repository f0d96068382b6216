package image

import (
	"bytes"
	"compress/gzip"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestGuesses(t *testing.T) {
	var zipped bytes.Buffer
	w := gzip.NewWriter(&zipped)
	_, err := w.Write([]byte("memory"))
	require.NoError(t, err)
	require.NoError(t, w.Close())
	for _, c := range []struct {
		name, data string
		fits       []Format
		raw        string
	}{
		{"memory", "\x00\x01\x02\x03", []Format{FormatRaw}, "nothing else fits"},
		{"records", ":00000001FF\n", []Format{FormatIntelHex, FormatRaw}, "better explained above"},
		{"motorola", "S9030000FC\n", []Format{FormatSRecord, FormatRaw}, "better explained above"},
		{"both in one text", "S9030000FC\n:00000001FF\n", []Format{FormatIntelHex, FormatSRecord, FormatRaw}, "better explained above"},
		{"elf", "\x7FELF\x01\x01\x01", []Format{FormatELF, FormatRaw}, "better explained above"},
		{"gzip", zipped.String(), []Format{FormatRaw}, "a gzip file"},
		{"wide", "\xFF\xFE:\x000\x000\x000\x000\x000\x000\x000\x001\x00F\x00F\x00", []Format{FormatRaw}, "UTF-16"},
		{"empty", "", []Format{FormatRaw}, "nothing else fits"},
	} {
		got, err := Guesses(strings.NewReader(c.data), int64(len(c.data)))
		require.NoError(t, err, c.name)
		require.Len(t, got, len(Formats()), c.name)
		var fits []Format
		for i, g := range got {
			assert.Equal(t, Formats()[i], g.Format)
			assert.NotEmpty(t, g.Reason)
			if g.Fits {
				fits = append(fits, g.Format)
			}
		}
		assert.Equal(t, c.fits, fits, c.name)
		assert.Contains(t, got[len(got)-1].Reason, c.raw, c.name)
	}
	_, err = Guesses(strings.NewReader("short"), 100)
	assert.Error(t, err, "a reader that holds less than it was said to")
}
