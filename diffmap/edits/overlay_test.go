package edits

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
)

// fill overwrites size bytes from offset on with one value.
func fill(data []byte, offset, size int, value byte) []byte {
	out := bytes.Clone(data)
	for i := range size {
		out[offset+i] = value
	}
	return out
}

// layers are three edits, each written over the end of the one before:
// low 200-207, middle 204-211, top 210-213.
func layersFixture(t *testing.T, hashOnly bool) (base []byte, file *File) {
	base = fill(random(4, 512), 190, 40, 0xEE)
	file = &File{}
	for _, e := range []struct {
		name     string
		at, size int
		value    byte
	}{{"low", 200, 8, 0x11}, {"middle", 204, 8, 0x22}, {"top", 210, 4, 0x33}} {
		rec, err := Record(at(t, 0, base), at(t, 0, fill(base, e.at, e.size, e.value)), nil, RecordOptions{Name: e.name, HashOnly: hashOnly})
		require.NoError(t, err)
		file.Edits = append(file.Edits, rec.Edit)
	}
	return base, file
}

func TestOverlayLayers(t *testing.T) {
	base, file := layersFixture(t, false)
	low := fill(base, 200, 8, 0x11)
	lowMiddle := fill(low, 204, 8, 0x22)
	all := fill(lowMiddle, 210, 4, 0x33)
	for _, c := range []struct {
		name string
		data []byte
		want []State
	}{
		{"none", base, []State{Absent, Absent, Absent}},
		{"low", low, []State{Present, Absent, Absent}},
		{"middle alone is not seen as middle over low", fill(base, 204, 8, 0x22), []State{Absent, Present, Absent}},
		{"middle over low", lowMiddle, []State{Overlaid, Present, Absent}},
		{"top over middle over low", all, []State{Overlaid, Overlaid, Present}},
		{"top over middle, no low", fill(fill(base, 204, 8, 0x22), 210, 4, 0x33), []State{Absent, Overlaid, Present}},
		{"top alone", fill(base, 210, 4, 0x33), []State{Absent, Absent, Present}},
		{"middle over something unknown", fill(fill(base, 200, 4, 0x77), 204, 8, 0x22), []State{Different, Present, Absent}},
		{"half of the uncovered part", fill(lowMiddle, 200, 2, 0xEE), []State{Different, Present, Absent}},
	} {
		t.Run(c.name, func(t *testing.T) {
			found, err := Find(at(t, 0, c.data), file)
			require.NoError(t, err)
			var got []State
			for _, f := range found {
				got = append(got, f.State)
			}
			assert.Equal(t, c.want, got)
		})
	}
	found, err := Find(at(t, 0, all), file)
	require.NoError(t, err)
	s := found[0].Stretches[0]
	assert.Equal(t, []string{"middle"}, s.Over)
	assert.Equal(t, Split{After: []image.Range{{Start: 200, Size: 4}}, Under: []image.Range{{Start: 204, Size: 4}}}, s.As)
}

// Hashes of whole ranges cannot tell their parts: what lies partly under
// another edit is overlaid and explains nothing.
func TestOverlayHashOnly(t *testing.T) {
	base, file := layersFixture(t, true)
	for name, data := range map[string][]byte{
		"middle over low": fill(fill(base, 200, 8, 0x11), 204, 8, 0x22),
		"middle alone":    fill(base, 204, 8, 0x22),
	} {
		found, err := Find(at(t, 0, data), file)
		require.NoError(t, err)
		assert.Equal(t, []State{Overlaid, Present, Overlaid}, []State{found[0].State, found[1].State, found[2].State}, name)
		assert.Empty(t, found[0].Stretches[0].As.After, name)
		explained, err := Explain(at(t, 0, base), at(t, 0, data), nil, file)
		require.NoError(t, err)
		require.Len(t, explained.Recognised, 1, name)
		assert.Equal(t, "middle", explained.Recognised[0].Edit, name)
	}
}

// An edit wholly under another one is not claimed to have been made.
func TestWhollyUnder(t *testing.T) {
	base := fill(random(5, 512), 190, 40, 0xEE)
	file := &File{}
	for _, e := range []struct {
		name     string
		at, size int
		value    byte
	}{{"small", 204, 2, 0x11}, {"large", 200, 10, 0x22}} {
		rec, err := Record(at(t, 0, base), at(t, 0, fill(base, e.at, e.size, e.value)), nil, RecordOptions{Name: e.name})
		require.NoError(t, err)
		file.Edits = append(file.Edits, rec.Edit)
	}
	explained, err := Explain(at(t, 0, base), at(t, 0, fill(base, 200, 10, 0x22)), nil, file)
	require.NoError(t, err)
	require.Len(t, explained.Recognised, 1)
	assert.Equal(t, "large", explained.Recognised[0].Edit)
	assert.Zero(t, explained.Bytes)
	found, err := Find(at(t, 0, fill(base, 200, 10, 0x22)), file)
	require.NoError(t, err)
	assert.Equal(t, Overlaid, found[0].State)
}
