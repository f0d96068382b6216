package image_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/imagetest"
)

// randomSegments makes up to 12 segments of up to 300 bytes (sometimes 70000)
// between 1 and 200 bytes apart, or far apart, below limit.
func randomSegments(rng *rand.Rand, limit uint64) []image.Segment {
	var segments []image.Segment
	at := rng.Uint64N(limit / 2)
	for range 1 + rng.IntN(12) {
		size := 1 + rng.Uint64N(300)
		if rng.IntN(12) == 0 {
			size = 1 + rng.Uint64N(70000)
		}
		if at >= limit || size > limit-at {
			break
		}
		data := make([]byte, size)
		for i := range data {
			data[i] = byte(rng.Uint32())
		}
		segments = append(segments, image.Segment{Start: at, Data: data})
		at += size + 1 + rng.Uint64N(200)
		if rng.IntN(3) == 0 {
			at += rng.Uint64N(limit/4 + 1)
		}
	}
	if len(segments) == 0 {
		segments = []image.Segment{{Start: 7, Data: []byte{1, 2, 3}}}
	}
	return segments
}

// written returns what write gives.
func written(t testing.TB, write func(*bytes.Buffer) error) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, write(&b))
	return b.Bytes()
}

// objcopy converts a file with GNU objcopy and returns the path of the result.
func objcopy(t testing.TB, tool, in, from, to string, args ...string) string {
	t.Helper()
	out := in + "." + to
	args = append(args, "-I", from, "-O", to, in, out)
	text, err := exec.Command(tool, args...).CombinedOutput()
	require.NoError(t, err, "objcopy: %s", text)
	return out
}

func save(t testing.TB, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, data, 0o666))
	return path
}

// openEqual opens a file that must hold segments.
func openEqual(t testing.TB, path string, opts image.Options, segments []image.Segment) *image.Image {
	t.Helper()
	im, err := image.Open(path, opts)
	require.NoError(t, err)
	t.Cleanup(func() { im.Close() })
	require.NoError(t, imagetest.TestImage(im, segments))
	return im
}

// sameBytes checks that the file at path holds want.
func sameBytes(t testing.TB, path string, want []byte) {
	t.Helper()
	got, err := os.ReadFile(path)
	require.NoError(t, err)
	i := 0
	for i < min(len(got), len(want)) && got[i] == want[i] {
		i++
	}
	if i < max(len(got), len(want)) {
		t.Errorf("%s differs from byte %d on: %.60q, want %.60q", path, i, got[i:], want[i:])
	}
}

// Random sparse images through GNU objcopy, both ways: it reads what we write
// and writes it in the other formats, and we read all of these. Its Intel HEX
// and S-records equal ours byte for byte where options exist to ask for its
// ways: CR LF line ends and, below 1 MiB, type 02 records. Not asked of objcopy:
// the wrap inside a segment and missing end records, where it differs from the
// specifications.
func TestObjcopy(t *testing.T) {
	tool := imagetest.Tool(t, "objcopy")
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	limits := []uint64{1 << 16, 1 << 20, 1 << 24, 1 << 32}
	for i := range 16 {
		limit := limits[i%len(limits)]
		segments := randomSegments(rng, limit)
		im, err := image.FromSegments(segments...)
		require.NoError(t, err)
		// objcopy cuts a start address beyond the reach of the data to size.
		start := rng.Uint64N(min(im.Bounds().Last(), 1<<20-1) + 1)

		ours := written(t, func(b *bytes.Buffer) error {
			mode := image.IntelHexLinear
			if limit <= 1<<20 {
				mode = image.IntelHexSegmented
			}
			return image.WriteIntelHex(b, im, image.IntelHexOptions{Addressing: mode, Start: &start, LineEnd: "\r\n"})
		})
		path := save(t, "in.ihex", ours)
		openEqual(t, path, image.Options{}, segments)
		again := objcopy(t, tool, path, "ihex", "ihex")
		theirs := openEqual(t, again, image.Options{}, segments)
		entry, ok := theirs.StartAddress()
		assert.True(t, ok && entry == start, "start address 0x%X became 0x%X", start, entry)
		if limit <= 1<<20 {
			sameBytes(t, again, ours)
		}

		theirs = openEqual(t, objcopy(t, tool, path, "ihex", "srec"), image.Options{}, segments)
		entry, ok = theirs.StartAddress()
		assert.True(t, (ok || start == 0) && entry == start, "start address 0x%X became 0x%X", start, entry)

		records := func(header *string) []byte {
			return written(t, func(b *bytes.Buffer) error {
				return image.WriteSRecord(b, im, image.SRecordOptions{Header: header, Start: &start, LineEnd: "\r\n"})
			})
		}
		ourPath := save(t, "our.srec", records(nil))
		again = objcopy(t, tool, ourPath, "srec", "srec")
		header := openEqual(t, again, image.Options{}, segments).Header() // the name of its output file
		sameBytes(t, again, records(&header))
		if im.Bounds().Size <= 4<<20 {
			raw := objcopy(t, tool, ourPath, "srec", "binary", "--gap-fill", "0x5A")
			flat, err := os.ReadFile(raw)
			require.NoError(t, err)
			ourFlat := written(t, func(b *bytes.Buffer) error {
				return image.WriteRaw(b, im, image.RawOptions{Fill: 0x5A})
			})
			sameBytes(t, raw, ourFlat)
			openEqual(t, raw, image.Options{Format: image.FormatRaw, Base: new(segments[0].Start)}, []image.Segment{{Start: segments[0].Start, Data: flat}})
		}
	}
}

// The distribution's python3-intelhex is a second opinion on reading and
// writing Intel HEX. Not asked of it: wraps, which it does not do.
func TestPythonIntelHex(t *testing.T) {
	python := imagetest.Python(t, "intelhex")
	const script = `
import sys
from intelhex import IntelHex
ih = IntelHex(sys.argv[1])
for start, end in ih.segments():
    print("%X %s" % (start, ih.tobinstr(start=start, end=end - 1).hex()))
print("start", sorted(ih.start_addr.items()) if ih.start_addr else None)
ih.write_hex_file(sys.argv[2])
`
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for i := range 6 {
		segments := randomSegments(rng, []uint64{1 << 16, 1 << 20, 1 << 32}[i%3])
		im, err := image.FromSegments(segments...)
		require.NoError(t, err)
		mode := []image.IntelHexAddressing{image.IntelHexAuto, image.IntelHexSegmented, image.IntelHexAuto}[i%3]
		start := uint64(0x12345)
		path := save(t, "in.hex", written(t, func(b *bytes.Buffer) error {
			return image.WriteIntelHex(b, im, image.IntelHexOptions{RecordLength: 1 + rng.IntN(255), Addressing: mode, Start: &start})
		}))
		out, err := exec.Command(python, "-c", script, path, path+".out").CombinedOutput()
		require.NoError(t, err, "%s", out)
		var want strings.Builder
		for _, s := range segments {
			fmt.Fprintf(&want, "%X %x\n", s.Start, s.Data)
		}
		if i%3 == 2 {
			want.WriteString("start [('EIP', 74565)]\n")
		} else {
			want.WriteString("start [('CS', 4096), ('IP', 9029)]\n")
		}
		require.Equal(t, want.String(), strings.ReplaceAll(string(out), "\r", ""))
		theirs := openEqual(t, path+".out", image.Options{}, segments)
		entry, ok := theirs.StartAddress()
		assert.True(t, ok && entry == start)
	}
}

// The boot loaders of the Arduino package, as GNU objcopy flattens them.
func TestRealBootLoaders(t *testing.T) {
	const folder = "arduino-core-avr/usr/share/arduino/hardware/arduino/avr/bootloaders/"
	tool := imagetest.Tool(t, "objcopy")
	for name, want := range map[string][]image.Range{
		"optiboot/optiboot_atmega8.hex":        {{Start: 0x1E00, Size: 498}, {Start: 0x1FFE, Size: 2}},
		"atmega/ATmegaBOOT_168_atmega1280.hex": {{Start: 0x1F000, Size: 2198}},
	} {
		path := imagetest.RealFile(t, folder+name, "")
		im, err := image.Open(path, image.Options{})
		require.NoError(t, err)
		defer im.Close()
		assert.Equal(t, want, im.Segments())
		_, ok := im.StartAddress()
		assert.True(t, ok)
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		flat, err := os.ReadFile(objcopy(t, tool, save(t, "in", data), "ihex", "binary", "--gap-fill", "0xFF"))
		require.NoError(t, err)
		ours := written(t, func(b *bytes.Buffer) error { return image.WriteRaw(b, im, image.RawOptions{Fill: 0xFF}) })
		assert.True(t, bytes.Equal(flat, ours), name)
		if name == "atmega/ATmegaBOOT_168_atmega1280.hex" {
			continue // its linker ended a record where its data section begins, which the addresses do not tell
		}
		assert.True(t, slices.Equal(data, written(t, func(b *bytes.Buffer) error {
			return image.WriteIntelHex(b, im, image.IntelHexOptions{Addressing: image.IntelHexSegmented, LineEnd: "\r\n"})
		})), "%s is written again byte for byte", name)
	}
}
