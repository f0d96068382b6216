package image_test

import (
	"bytes"
	"errors"
	"os/exec"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
	"example.com/calproof/image/imagetest"
)

// counting returns n bytes that differ from their neighbours.
func counting(n int) []byte {
	data := make([]byte, n)
	for i := range data {
		data[i] = byte(i) ^ byte(i>>8)*3 ^ byte(i>>16)*7
	}
	return data
}

func itoa(n int) string { return strconv.Itoa(n) }

func TestFromSegments(t *testing.T) {
	top := ^uint64(0)
	good := map[string][]image.Segment{
		"none":              {},
		"any order":         {text(0x20, "cd"), text(0x10, "ab")},
		"adjacent":          {text(0x12, "cd"), text(0x10, "ab"), text(0x14, "e")},
		"top":               {text(top-1, "ab")},
		"both ends":         {text(top, "b"), text(0, "a")},
		"around the middle": {text(1<<63-1, "abc")},
		"larger than block": {{Start: 0x1001, Data: counting(200001)}},
	}
	for name, segments := range good {
		im, err := image.FromSegments(segments...)
		require.NoError(t, err, name)
		require.NoError(t, imagetest.TestImage(im, segments), name)
		assert.Equal(t, image.FormatRaw, im.Format())
		assert.Nil(t, im.File())
		assert.NoError(t, im.Close())
	}
	im := mustImage(t, text(3, ""), text(7, "a"))
	assert.Equal(t, []image.Range{{Start: 7, Size: 1}}, im.Segments(), "empty segments are dropped")
	assert.Equal(t, image.Range{}, mustImage(t).Bounds())

	for want, segments := range map[string][]image.Segment{
		"overlap at 0x11-0x11":   {text(0x11, "cd"), text(0x10, "ab")},
		"overlap at 0x10-0x11":   {text(0x10, "cd"), text(0x10, "ab")},
		"run past the top":       {text(top, "ab")},
		"overlap at 0x100-0x1FF": {{Start: 0, Data: counting(0x1000)}, {Start: 0x100, Data: counting(0x100)}},
	} {
		_, err := image.FromSegments(segments...)
		require.ErrorContains(t, err, want)
	}
}

func TestQueries(t *testing.T) {
	im := mustImage(t, text(0x10, "abcd"), text(0x20, "ef"))
	r := func(start, size uint64) image.Range { return image.Range{Start: start, Size: size} }
	assert.True(t, im.Covers(r(0x10, 4)))
	assert.True(t, im.Covers(r(0x99, 0)), "an empty range is always covered")
	assert.False(t, im.Covers(r(0x10, 5)))
	assert.False(t, im.Covers(r(0x0F, 2)))
	assert.False(t, im.Covers(r(0x30, 1)))
	assert.Equal(t, []image.Range{r(0x0E, 2), r(0x14, 12), r(0x22, 6)}, im.Gaps(r(0x0E, 0x1A)))
	assert.Empty(t, im.Gaps(r(0x11, 2)))
	assert.Empty(t, im.Gaps(r(0x15, 0)))
	assert.Equal(t, []image.Range{r(0x22, ^uint64(0)-0x21)}, im.Gaps(r(0x20, ^uint64(0)-0x1F)))

	data, err := im.Bytes(r(0x15, 0))
	require.NoError(t, err)
	assert.Empty(t, data)
	require.NoError(t, im.Blocks(r(0x15, 0), func(uint64, []byte) error { return errors.New("called") }))
	// A size that no memory can hold must not be asked for.
	_, err = im.Bytes(r(0x10, 1<<62))
	var gap *image.GapError
	require.True(t, errors.As(err, &gap))
	assert.EqualValues(t, 0x14, gap.Addr)
	assert.EqualError(t, err, "the image holds no byte at 0x14, which 0x10-0x400000000000000F needs")
	// A read over the top of the address space does not go on at 0.
	both := mustImage(t, text(^uint64(0), "z"), text(0, "a"))
	p := make([]byte, 2)
	n, err := both.ReadAddr(p, ^uint64(0))
	assert.Equal(t, 1, n)
	require.True(t, errors.As(err, &gap))
}

func TestSliceAndRebase(t *testing.T) {
	data := counting(70000) // to 0x12170
	im := mustImage(t, image.Segment{Start: 0x1000, Data: data}, text(0x20000, "xyz"))
	part, err := im.Slice(image.Range{Start: 0x1003, Size: 0x1EFFF})
	require.NoError(t, err)
	want := []image.Segment{{Start: 0x1003, Data: data[3:]}, text(0x20000, "xy")}
	require.NoError(t, imagetest.TestImage(part, want))
	_, err = im.Slice(image.Range{Start: 0x12170, Size: 0x100})
	require.ErrorContains(t, err, "holds no byte of 0x12170-0x1226F")

	top := ^uint64(0)
	for _, to := range []uint64{0, 1, 0x1003, 0x5000, top - 0x1EFFE} {
		moved, err := part.Rebase(0x1003, to)
		require.NoError(t, err, "0x%X", to)
		require.NoError(t, imagetest.TestImage(moved, []image.Segment{{Start: to, Data: data[3:]}, text(to+0x1EFFD, "xy")}))
	}
	for _, move := range [][2]uint64{{0x1004, 0}, {0x1003, top - 0x1EFFD}, {top, 0}, {0, top}} {
		_, err := part.Rebase(move[0], move[1])
		require.ErrorContains(t, err, "out of the 64-bit address space", "%X", move)
	}
	file, err := read(lines("S00600004844521B", data1, "S9031004E8"), image.Options{})
	require.NoError(t, err)
	moved, err := file.Rebase(0x1000, 0)
	require.NoError(t, err)
	start, ok := moved.StartAddress()
	assert.True(t, ok)
	assert.EqualValues(t, 4, start, "the start address moves along")
	moved, err = moved.Rebase(0, top-100)
	require.NoError(t, err)
	start, _ = moved.StartAddress()
	assert.Equal(t, top-96, start)
}

func TestCombine(t *testing.T) {
	boot, err := read(lines("S00600004844521B", data1, "S9031004E8"), image.Options{})
	require.NoError(t, err)
	other := mustImage(t, text(0x100A, "more"), text(0, "low"))
	both, err := image.Combine(other, boot)
	require.NoError(t, err)
	require.NoError(t, imagetest.TestImage(both, []image.Segment{text(0, "low"), text(0x1000, "some data\x00more")}))
	assert.Equal(t, "HDR", both.Header())
	start, ok := both.StartAddress()
	assert.True(t, ok && start == 0x1004)

	// Two processors' parts in one file, each at its own addresses.
	file := mustImage(t, text(0, "firstsecond"))
	first, err := file.Slice(image.Range{Start: 0, Size: 5})
	require.NoError(t, err)
	second, err := file.Slice(image.Range{Start: 5, Size: 6})
	require.NoError(t, err)
	second, err = second.Rebase(5, 0x800000)
	require.NoError(t, err)
	placed, err := image.Combine(first, second)
	require.NoError(t, err)
	require.NoError(t, imagetest.TestImage(placed, []image.Segment{text(0, "first"), text(0x800000, "second")}))

	_, err = image.Combine(file, mustImage(t, text(100, "x")), mustImage(t, text(3, "x"), text(50, "y")))
	require.ErrorContains(t, err, "parts 1 and 3 overlap at 0x3-0x3")
}

func TestPatch(t *testing.T) {
	data := counting(1000)
	im := mustImage(t, image.Segment{Start: 0x100, Data: data[:500]}, image.Segment{Start: 0x100 + 500, Data: data[500:]}, text(0x1000, "far"))
	patched, err := im.Patch(text(0x100, "A"), text(0x100+498, "wxyz"), text(0x1001, "o"), text(0x180, ""))
	require.NoError(t, err)
	want := bytes.Clone(data)
	want[0] = 'A'
	copy(want[498:], "wxyz")
	require.NoError(t, imagetest.TestImage(patched, []image.Segment{{Start: 0x100, Data: want}, text(0x1000, "for")}))
	require.NoError(t, imagetest.TestImage(im, []image.Segment{{Start: 0x100, Data: data}, text(0x1000, "far")}), "the original is as it was")

	_, err = im.Patch(text(0x1002, "rt"))
	var gap *image.GapError
	require.True(t, errors.As(err, &gap))
	assert.EqualValues(t, 0x1003, gap.Addr)
	_, err = im.Patch(text(0x100, "ab"), text(0x101, "c"))
	require.ErrorContains(t, err, "overlap")
}

// deal is Join by its definition, a byte at a time.
func deal(base uint64, unit int, parts [][]image.Segment) map[uint64]byte {
	out := map[uint64]byte{}
	n := uint64(len(parts))
	for i, segments := range parts {
		for _, s := range segments {
			for j, b := range s.Data {
				off := s.Start + uint64(j) - base
				k, inside := off/uint64(unit), off%uint64(unit)
				out[base+(k*n+uint64(i))*uint64(unit)+inside] = b
			}
		}
	}
	return out
}

// fromMap makes segments of single bytes.
func fromMap(m map[uint64]byte) (segments []image.Segment) {
	for addr, b := range m {
		segments = append(segments, image.Segment{Start: addr, Data: []byte{b}})
	}
	return segments
}

func TestJoinAndSplit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]int{1, 2, 4}).Draw(t, "unit")
		n := rapid.IntRange(2, 5).Draw(t, "images")
		base := rapid.Uint64Range(0, 1<<40).Draw(t, "base")
		var ranges []image.Range
		at := base
		for range rapid.IntRange(1, 3).Draw(t, "segments") {
			at += uint64(unit * rapid.IntRange(0, 9).Draw(t, "gap"))
			size := uint64(unit * rapid.IntRange(1, 30).Draw(t, "units"))
			ranges = append(ranges, image.Range{Start: at, Size: size})
			at += size
		}
		parts := make([][]image.Segment, n)
		images := make([]*image.Image, n)
		for i := range parts {
			for _, r := range ranges {
				parts[i] = append(parts[i], image.Segment{Start: r.Start, Data: rapid.SliceOfN(rapid.Byte(), int(r.Size), int(r.Size)).Draw(t, "data")})
			}
			var err error
			images[i], err = image.FromSegments(parts[i]...)
			require.NoError(t, err)
		}
		joined, err := image.Join(base, unit, images...)
		require.NoError(t, err)
		whole := fromMap(deal(base, unit, parts))
		require.NoError(t, imagetest.TestImage(joined, whole))
		back, err := joined.Split(base, n, unit)
		require.NoError(t, err)
		for i := range back {
			require.NoError(t, imagetest.TestImage(back[i], parts[i]))
		}
	})
}

// Longer than the blocks that the views read.
func TestLongJoin(t *testing.T) {
	data := counting(12 * 16667)
	im := mustImage(t, image.Segment{Start: 0x10, Data: data})
	for _, c := range []struct{ n, unit int }{{2, 1}, {3, 2}, {3, 1}, {2, 2}} {
		parts, err := im.Split(0x10, c.n, c.unit)
		require.NoError(t, err)
		for i, part := range parts {
			var want []byte
			for at := i * c.unit; at < len(data); at += c.n * c.unit {
				want = append(want, data[at:at+c.unit]...)
			}
			require.NoError(t, imagetest.TestImage(part, []image.Segment{{Start: 0x10, Data: want}}))
		}
		joined, err := image.Join(0x10, c.unit, parts...)
		require.NoError(t, err)
		require.NoError(t, imagetest.TestImage(joined, []image.Segment{{Start: 0x10, Data: data}}))
	}
}

// GNU objcopy's --interleave is an independent Split.
func TestObjcopyInterleave(t *testing.T) {
	tool := imagetest.Tool(t, "objcopy")
	data := counting(4096)
	im := mustImage(t, image.Segment{Start: 0, Data: data})
	for _, c := range []struct{ n, unit int }{{2, 1}, {2, 2}, {4, 1}, {2, 4}, {4, 4}} {
		parts, err := im.Split(0, c.n, c.unit)
		require.NoError(t, err)
		for i, part := range parts {
			path := save(t, "in", data)
			out, err := exec.Command(tool, "-I", "binary", "-O", "binary", "--interleave="+itoa(c.n*c.unit),
				"--interleave-width="+itoa(c.unit), "-b", itoa(i*c.unit), path, path+".out").CombinedOutput()
			require.NoError(t, err, "%s", out)
			got, err := part.Bytes(part.Bounds())
			require.NoError(t, err)
			sameBytes(t, path+".out", got)
		}
	}
	for _, unit := range []int{2, 4} {
		path := save(t, "in", data)
		out, err := exec.Command(tool, "-I", "binary", "-O", "binary", "--reverse-bytes="+itoa(unit), path, path+".out").CombinedOutput()
		require.NoError(t, err, "%s", out)
		swapped, err := im.Swap(unit)
		require.NoError(t, err)
		got, err := swapped.Bytes(swapped.Bounds())
		require.NoError(t, err)
		sameBytes(t, path+".out", got)
	}
}

func TestSwap(t *testing.T) {
	im := mustImage(t, text(0x14, "abcdefgh"), text(0x80000, "12345678"))
	two, err := im.Swap(2)
	require.NoError(t, err)
	require.NoError(t, imagetest.TestImage(two, []image.Segment{text(0x14, "badcfehg"), text(0x80000, "21436587")}))
	four, err := im.Swap(4)
	require.NoError(t, err)
	require.NoError(t, imagetest.TestImage(four, []image.Segment{text(0x14, "dcbahgfe"), text(0x80000, "43218765")}))
	halves, err := four.Swap(2)
	require.NoError(t, err)
	require.NoError(t, imagetest.TestImage(halves, []image.Segment{text(0x14, "cdabghef"), text(0x80000, "34127856")}))

	data := counting(200000)
	long := mustImage(t, image.Segment{Start: 0, Data: data})
	for _, unit := range []int{2, 4} {
		once, err := long.Swap(unit)
		require.NoError(t, err)
		twice, err := once.Swap(unit)
		require.NoError(t, err)
		require.NoError(t, imagetest.TestImage(twice, []image.Segment{{Start: 0, Data: data}}))
	}
}

func TestViewMistakes(t *testing.T) {
	im := mustImage(t, text(0x10, "abcdef"))
	_, err := im.Swap(3)
	require.ErrorContains(t, err, "2 or 4 bytes, not 3")
	_, err = im.Swap(4)
	require.ErrorContains(t, err, "0x10-0x15 does not start and end a multiple of 4 bytes")
	_, err = mustImage(t, text(0x11, "ab")).Swap(2)
	require.ErrorContains(t, err, "0x11-0x12")
	_, err = im.Split(0x10, 4, 1)
	require.ErrorContains(t, err, "multiple of 4 bytes from 0x10")
	_, err = im.Split(0x12, 2, 1)
	require.ErrorContains(t, err, "starts below the base 0x12")
	_, err = im.Split(0x10, 1, 1)
	require.ErrorContains(t, err, "2 to 256")
	_, err = im.Split(0x10, 2, 3)
	require.ErrorContains(t, err, "1, 2 or 4 bytes, not 3")
	_, err = mustImage(t).Split(0, 2, 1)
	require.ErrorContains(t, err, "no bytes")
	_, err = image.Join(0, 8, im, im)
	require.ErrorContains(t, err, "not 8")
	_, err = image.Join(0, 1, im)
	require.ErrorContains(t, err, "two images or more")
	_, err = image.Join(0, 1, im, mustImage(t, text(0x10, "abcde")))
	require.ErrorContains(t, err, "image 2 holds [0x10-0x14], but image 1 holds [0x10-0x15]")
	_, err = image.Join(0x11, 1, im, im)
	require.ErrorContains(t, err, "below the base")
	_, err = image.Join(0, 4, im, im)
	require.ErrorContains(t, err, "multiple of 4 bytes")
	high := mustImage(t, text(1<<63, "ab"))
	_, err = image.Join(0, 1, high, high)
	require.ErrorContains(t, err, "does not fit in the 64-bit address space")
	_, err = image.Join(1<<63, 1, high, high)
	require.NoError(t, err)
}
