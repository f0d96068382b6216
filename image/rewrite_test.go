package image_test

import (
	"bytes"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
	"example.com/calproof/image/imagetest"
)

func reopen(t require.TestingT, file []byte) *image.Image {
	im, err := image.New(bytes.NewReader(file), int64(len(file)), image.Options{})
	require.NoError(t, err)
	return im
}

func patched(t require.TestingT, im *image.Image, segments ...image.Segment) []byte {
	var b bytes.Buffer
	require.NoError(t, image.WritePatched(&b, im, segments...))
	return b.Bytes()
}

// The worked M68000 record of the S-record reference and an Intel HEX file of
// our own: the expected lines were worked out by hand from the rules for the
// checksum (sum to 0, and to FF, modulo 256).
func TestWritePatchedKeepsTheText(t *testing.T) {
	ihex := "\r\n:020000040800F2\r\n:0400100001AA03043A\r\n\r\n:040000050800012DC1\n:0400200005060708C2\r:00000001FF\r\n\r\n"
	got := patched(t, reopen(t, []byte(ihex)), image.Segment{Start: 0x08000011, Data: []byte{0xAB, 0x04}})
	want := strings.Replace(ihex, ":0400100001AA03043A", ":0400100001AB040438", 1)
	assert.Equal(t, want, string(got))

	srec := "S00600004844521B\nS1130000285F245F2212226A000424290008237C2A\nS9030000FC\n"
	got = patched(t, reopen(t, []byte(srec)), image.Segment{Start: 0x2, Data: []byte{0x25}})
	assert.Equal(t, strings.Replace(srec, "245F2212226A000424290008237C2A", "255F2212226A000424290008237C29", 1), string(got))

	lower := ":020000021200ea\n:04fffe00010203fffa\n:00000001ff\n" // wraps inside its 64 KiB segment
	im := reopen(t, []byte(lower))
	assert.Equal(t, []image.Range{{0x12000, 2}, {0x21FFE, 2}}, im.Segments())
	got = patched(t, im, image.Segment{Start: 0x12000, Data: []byte{0xfa}})
	assert.Equal(t, ":020000021200ea\n:04fffe000102faff03\n:00000001ff\n", string(got))

	twice := ":0100000055AA\n:0100000055AA\n:00000001FF\n" // the same byte in two records
	got = patched(t, reopen(t, []byte(twice)), image.Segment{Start: 0, Data: []byte{0x56}})
	assert.Equal(t, strings.ReplaceAll(twice, "55AA", "56A9"), string(got))
}

// Whatever is patched, the result holds what Patch says, and no other line
// than those of changed bytes differs.
func TestWritePatchedEqualsPatch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		r := rand.New(rand.NewPCG(seed, 1))
		data := func(n int) []byte {
			out := make([]byte, n)
			for i := range out {
				out[i] = byte(r.Uint32())
			}
			return out
		}
		made, err := image.FromSegments(image.Segment{Start: 0x100, Data: data(700)}, image.Segment{Start: 0xFFF0, Data: data(40)}, image.Segment{Start: 0x30000, Data: data(3)})
		require.NoError(t, err)
		var file bytes.Buffer
		switch rapid.IntRange(0, 2).Draw(t, "format") {
		case 0:
			require.NoError(t, image.WriteIntelHex(&file, made, image.IntelHexOptions{RecordLength: rapid.IntRange(1, 255).Draw(t, "length")}))
		case 1:
			require.NoError(t, image.WriteSRecord(&file, made, image.SRecordOptions{RecordLength: rapid.IntRange(1, 200).Draw(t, "length")}))
		case 2:
			require.NoError(t, image.WriteRaw(&file, made, image.RawOptions{Fill: 0xFF}))
		}
		im := reopen(t, file.Bytes())
		var segments []image.Segment
		for _, s := range im.Segments() {
			if rapid.Bool().Draw(t, "patch") {
				at := rapid.Uint64Range(0, s.Size-1).Draw(t, "at")
				n := rapid.Uint64Range(1, min(300, s.Size-at)).Draw(t, "n")
				segments = append(segments, image.Segment{Start: s.Start + at, Data: data(int(n))})
			}
		}
		got := patched(t, im, segments...)
		want, err := im.Patch(segments...)
		require.NoError(t, err)
		again := reopen(t, got)
		require.Equal(t, want.Segments(), again.Segments())
		for _, s := range want.Segments() {
			x, err := want.Bytes(s)
			require.NoError(t, err)
			y, err := again.Bytes(s)
			require.NoError(t, err)
			require.Equal(t, x, y)
		}
		require.Len(t, got, file.Len())
		assert.Equal(t, patched(t, reopen(t, got)), got, "no patch: the file as it was")
	})
}

// GNU objcopy reads a patched ELF file as it reads the patched bytes.
func TestWritePatchedELF(t *testing.T) {
	objcopy := imagetest.Tool(t, "objcopy")
	file, err := os.ReadFile(objcopy)
	require.NoError(t, err)
	im := reopen(t, file)
	s := im.Segments()[0]
	at := s.Start + s.Size/2
	got := patched(t, im, image.Segment{Start: at, Data: []byte("calproof")})
	dir := t.TempDir()
	before, after := filepath.Join(dir, "before"), filepath.Join(dir, "after")
	require.NoError(t, os.WriteFile(before, file, 0o600))
	require.NoError(t, os.WriteFile(after, got, 0o600))
	flat := func(path string) []byte {
		out, err := exec.Command(objcopy, "-O", "binary", path, path+".flat").CombinedOutput()
		require.NoError(t, err, string(out))
		data, err := os.ReadFile(path + ".flat")
		require.NoError(t, err)
		return data
	}
	want, have := flat(before), flat(after)
	require.Len(t, have, len(want))
	found := bytes.Index(have, []byte("calproof")) // where the flattened file starts is up to its sections
	require.GreaterOrEqual(t, found, 0)
	copy(want[found:], "calproof")
	assert.True(t, bytes.Equal(want, have))
}

func TestWritePatchedRefuses(t *testing.T) {
	made, err := image.FromSegments(image.Segment{Start: 0, Data: []byte{1, 2, 3}})
	require.NoError(t, err)
	assert.ErrorContains(t, image.WritePatched(&bytes.Buffer{}, made, image.Segment{Start: 0, Data: []byte{9}}), "not read from a file")
	im := reopen(t, []byte(":0100000055AA\n:00000001FF\n"))
	var gap *image.GapError
	assert.ErrorAs(t, image.WritePatched(&bytes.Buffer{}, im, image.Segment{Start: 1, Data: []byte{9}}), &gap)
	assert.ErrorContains(t, image.WritePatched(&bytes.Buffer{}, im, image.Segment{Start: 0, Data: []byte{9}}, image.Segment{Start: 0, Data: []byte{8}}), "overlap")
}

func TestTrace(t *testing.T) {
	data := make([]byte, 64)
	im, err := image.New(bytes.NewReader(data), 64, image.Options{Format: image.FormatRaw, Base: new(uint64(0x8000))})
	require.NoError(t, err)
	swap := func(im *image.Image) (*image.Image, error) { return im.Swap(4) }
	from, err := im.Trace(swap, []uint64{0x8000, 0x8001, 0x8007, 0x803F})
	require.NoError(t, err)
	assert.Equal(t, []uint64{0x8003, 0x8002, 0x8004, 0x803C}, from)

	apart := func(im *image.Image) (*image.Image, error) {
		parts, err := im.Split(0, 2, 1)
		if err != nil {
			return nil, err
		}
		high, err := parts[1].Rebase(parts[1].Bounds().Start, 0x100000)
		if err != nil {
			return nil, err
		}
		low, err := parts[0].Rebase(parts[0].Bounds().Start, 0)
		if err != nil {
			return nil, err
		}
		return image.Combine(low, high)
	}
	from, err = im.Trace(apart, []uint64{0, 1, 0x100000, 0x10001F})
	require.NoError(t, err)
	assert.Equal(t, []uint64{0x8000, 0x8002, 0x8001, 0x803F}, from)
	_, err = im.Trace(apart, []uint64{0x200000})
	assert.Error(t, err)
}

// The longest Intel HEX record holds 255 bytes (521 characters, as the
// specification's one-byte RECLEN allows), the longest S1, S2 and S3 records
// 252, 251 and 250.
func TestLongestRecords(t *testing.T) {
	data := bytes.Repeat([]byte{0xA5, 0x5A, 0xFF}, 85)
	made, err := image.FromSegments(image.Segment{Start: 0x10, Data: data})
	require.NoError(t, err)
	for n := 250; n <= 255; n++ {
		var file bytes.Buffer
		require.NoError(t, image.WriteIntelHex(&file, made, image.IntelHexOptions{RecordLength: n}))
		got, err := reopen(t, file.Bytes()).Bytes(made.Bounds())
		require.NoError(t, err)
		assert.Equal(t, data, got, "record length %d", n)
	}
	for width, n := range map[int]int{2: 252, 3: 251, 4: 250} {
		var file bytes.Buffer
		require.NoError(t, image.WriteSRecord(&file, made, image.SRecordOptions{RecordLength: n, AddressBytes: width}))
		got, err := reopen(t, file.Bytes()).Bytes(made.Bounds())
		require.NoError(t, err)
		assert.Equal(t, data, got, "S-record of %d bytes, %d address bytes", n, width)
	}
}
