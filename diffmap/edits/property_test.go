package edits

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
)

func imageAt(t require.TestingT, start uint64, data []byte) *image.Image {
	im, err := image.FromSegments(image.Segment{Start: start, Data: data})
	require.NoError(t, err)
	return im
}

// drawChange flips bytes of a copy of data, never near its ends, so that every
// stretch has both anchors.
func drawChange(t *rapid.T, data []byte, label string) []byte {
	out := bytes.Clone(data)
	for _, at := range rapid.SliceOfN(rapid.IntRange(64, len(data)-65), 1, 30).Draw(t, label) {
		out[at] ^= byte(rapid.IntRange(1, 255).Draw(t, "flip"))
	}
	if bytes.Equal(out, data) {
		out[100] ^= 1
	}
	return out
}

// What is recorded, written and read again is present in the modified image,
// absent from the original and present in a copy that lies elsewhere; whether
// bytes or hashes are kept makes no difference to any of it.
func TestRecordWriteReadFind(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := random(rapid.Uint64().Draw(t, "seed"), 2048)
		modified := drawChange(t, base, "changes")
		start := rapid.SampledFrom([]uint64{0, 0x8000, 0xFFFF_0000, 1<<64 - 2048}).Draw(t, "start")
		var kept []Found
		for _, hashOnly := range []bool{false, true} {
			rec, err := Record(imageAt(t, start, base), imageAt(t, start, modified), nil, RecordOptions{Name: "an edit", HashOnly: hashOnly})
			require.NoError(t, err)
			text, err := rec.Edit.AppendTo("e.toml", []byte("format = 1 # mine\r\n"))
			require.NoError(t, err)
			require.True(t, bytes.HasPrefix(text, []byte("format = 1 # mine\r\n")) || bytes.HasPrefix(text, []byte("format = 1 # mine\n")))
			file, err := Parse("e.toml", text)
			require.NoError(t, err)
			require.Equal(t, []Edit{rec.Edit}, file.Edits)

			find := func(at uint64, data []byte, want State) Found {
				found, err := Find(imageAt(t, at, data), file)
				require.NoError(t, err)
				require.Equal(t, want, found[0].State)
				return found[0]
			}
			all := []Found{find(start, modified, Present), find(start, base, Absent)}
			if start+4096 > start {
				shift := rapid.IntRange(1, 900).Draw(t, "shift")
				moved := append(random(99, shift), modified...)
				f := find(start, moved, Present)
				for _, s := range f.Stretches {
					require.Equal(t, int64(shift), s.Shift)
					require.Equal(t, BothAnchors, s.Confidence)
				}
				f = find(start, append(random(99, shift), base...), Absent)
				require.Equal(t, int64(shift), f.Stretches[0].Shift)
			}
			if kept == nil {
				kept = all
				continue
			}
			require.Equal(t, kept, all, "hashes tell the same as bytes")
		}
	})
}

// Of two edits that were recorded against the same original and put in one after
// the other, the later is present; the earlier is present where the two agree or
// stay apart, and overlaid where the later lies over it. Neither is ever seen in
// an image that has only the other, unless it agrees with it everywhere.
func TestTwoEdits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := random(rapid.Uint64().Draw(t, "seed"), 1024)
		first, second := bytes.Clone(base), bytes.Clone(base)
		write := func(data []byte, label string) (from, size int) {
			from, size = rapid.IntRange(300, 360).Draw(t, label), rapid.IntRange(1, 60).Draw(t, label+" size")
			for i := range size {
				data[from+i] ^= byte(rapid.IntRange(1, 255).Draw(t, label+" flip"))
			}
			return from, size
		}
		write(first, "first")
		from, size := write(second, "second")
		both := bytes.Clone(first)
		copy(both[from:from+size], second[from:from+size])
		record := func(data []byte, name string) Edit {
			rec, err := Record(imageAt(t, 0, base), imageAt(t, 0, data), nil, RecordOptions{Name: name})
			require.NoError(t, err)
			return rec.Edit
		}
		file := &File{Edits: []Edit{record(first, "first"), record(second, "second")}}
		states := func(data []byte) []State {
			found, err := Find(imageAt(t, 0, data), file)
			require.NoError(t, err)
			return []State{found[0].State, found[1].State}
		}
		meet := false  // the two write different bytes somewhere
		hidden := true // the first shows nowhere
		for i := range base {
			a, b := first[i] != base[i], second[i] != base[i]
			meet = meet || a && b && first[i] != second[i]
			if a && !b {
				hidden = false
			}
		}
		want := []State{Present, Present}
		if meet {
			want[0] = Overlaid
		}
		require.Equal(t, want, states(both))
		require.Equal(t, []State{Absent, Absent}, states(base))
		if meet && !hidden {
			require.NotContains(t, []State{Present, Overlaid}, states(second)[0], "only the second was made")
		}
		explained, err := Explain(imageAt(t, 0, base), imageAt(t, 0, both), nil, file)
		require.NoError(t, err)
		named := map[string]bool{}
		for _, r := range explained.Recognised {
			named[r.Edit] = true
		}
		require.True(t, named["second"])
		require.True(t, named["first"] || hidden)
		require.Zero(t, explained.Bytes)
	})
}
