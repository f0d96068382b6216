package edits

import (
	"bytes"
	"fmt"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/maps/demo"
)

func editsPage(t *testing.T) string {
	data, err := os.ReadFile("EDITS.md")
	require.NoError(t, err)
	return strings.ReplaceAll(string(data), "\r\n", "\n")
}

func TestPageParses(t *testing.T) {
	blocks := regexp.MustCompile("(?s)```toml\n(.*?)```").FindAllStringSubmatch(editsPage(t), -1)
	require.Len(t, blocks, 1)
	f, err := Parse("EDITS.md", []byte(blocks[0][1]))
	require.NoError(t, err)
	require.Len(t, f.Edits, 1)
	assert.Len(t, f.Edits[0].Stretches[0].Changes, 2)

	// What the page shows is true of the demo: its bytes, hashes and anchors.
	files, err := demo.Files()
	require.NoError(t, err)
	states := map[string]State{}
	for _, file := range files {
		if file.Name != "backup.bin" && file.Name != "edited.bin" {
			continue
		}
		im, err := image.New(bytes.NewReader(file.Data), int64(len(file.Data)), image.Options{})
		require.NoError(t, err)
		found, err := Find(im, f)
		require.NoError(t, err)
		require.Len(t, found, 1)
		states[file.Name] = found[0].State
		assert.Equal(t, BothAnchors, found[0].Stretches[0].Confidence)
	}
	assert.Equal(t, map[string]State{"backup.bin": Absent, "edited.bin": Present}, states)
}

// Every key, state, confidence and limit is on the page.
func TestPageIsComplete(t *testing.T) {
	page := editsPage(t)
	seen := 0
	var walk func(typ reflect.Type)
	walk = func(typ reflect.Type) {
		for typ.Kind() == reflect.Slice || typ.Kind() == reflect.Pointer {
			typ = typ.Elem()
		}
		if typ.Kind() != reflect.Struct {
			return
		}
		for i := range typ.NumField() {
			key := typ.Field(i).Tag.Get("toml")
			seen++
			assert.Regexp(t, "[[`.]"+key+"[`\\]]", page, "key %s", key)
			walk(typ.Field(i).Type)
		}
	}
	walk(reflect.TypeFor[fileTOML]())
	assert.Equal(t, 19, seen)
	for _, s := range []State{Present, Absent, Partly, Overlaid, Different} {
		assert.Contains(t, page, fmt.Sprintf("| `%s` |", s))
	}
	for _, c := range []Confidence{BothAnchors, OneAnchor, Ambiguous, AddressOnly} {
		assert.Contains(t, page, fmt.Sprintf("| `%s` |", c))
	}
	for _, limit := range []string{"1,000 edits", "67,108,864 bytes", "10,000 changes", "1,048,576 changed bytes", "64 MiB", "at most 120 bytes", "32 bytes"} {
		assert.Contains(t, page, limit)
	}
	assert.Equal(t, []int{1000, 67_108_864, 10_000, 1_048_576, 64 << 20, 120, 32},
		[]int{MaxEdits, MaxFileBytes, MaxChanges, MaxBytes, MaxFileSize, maxNameLength, AnchorSize})
}
