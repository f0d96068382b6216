package readcheck

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/bzip2"
	"compress/gzip"
	"encoding/binary"
	"encoding/hex"
	stdimage "image"
	"image/color/palette"
	"image/gif"
	"image/jpeg"
	"image/png"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/imagetest"
	"example.com/calproof/image/readcheck/internal/faults"
)

// kindSample is a file of a kind. Some are made by Go's own encoders or are
// programs of the system, the others by hand after the publication that the
// table of kinds names.
type kindSample struct {
	kind   string
	data   []byte
	states bool // its header states its length
}

// form writes numbers and text at places of a file of zeros.
type form struct {
	data  []byte
	order binary.ByteOrder
}

func (f form) text(at int, s string) form { copy(f.data[at:], s); return f }
func (f form) u16(at int, n uint16) form  { f.order.PutUint16(f.data[at:], n); return f }
func (f form) u32(at int, n uint32) form  { f.order.PutUint32(f.data[at:], n); return f }

func blank(size int, order binary.ByteOrder) form { return form{make([]byte, size), order} }

func samples(t testing.TB) []kindSample {
	t.Helper()
	made := func(write func(w io.Writer) error) []byte {
		var b bytes.Buffer
		require.NoError(t, write(&b))
		return b.Bytes()
	}
	r := rand.New(rand.NewPCG(31, 1))
	noise := make([]byte, 5001)
	for i := range noise {
		noise[i] = byte(r.Uint32())
	}
	picture := stdimage.NewPaletted(stdimage.Rect(0, 0, 50, 50), palette.Plan9)
	copy(picture.Pix, noise)

	const size = 9001 // of the files made by hand
	bz, err := hex.DecodeString("425a68393141592653594eece83600000251800010400006449080200031064c4101a7a9a580bb9431f8bb9229c28482776741b0")
	require.NoError(t, err)
	hello, err := io.ReadAll(bzip2.NewReader(bytes.NewReader(bz)))
	require.NoError(t, err)
	require.Equal(t, "hello world\n", string(hello))
	le, be := blank(size, binary.LittleEndian), blank(size, binary.BigEndian)
	fresh := func(f form) form { return form{make([]byte, len(f.data)), f.order} }
	list := []kindSample{
		{"a gzip file", made(func(w io.Writer) error {
			z := gzip.NewWriter(w)
			z.Write(noise)
			return z.Close()
		}), false},
		{"a zip file", made(func(w io.Writer) error {
			z := zip.NewWriter(w)
			f, err := z.Create("noise")
			require.NoError(t, err)
			f.Write(noise)
			return z.Close()
		}), false},
		{"a PNG picture", made(func(w io.Writer) error { return png.Encode(w, picture) }), true},
		{"a JPEG picture", made(func(w io.Writer) error { return jpeg.Encode(w, picture, nil) }), false},
		{"a GIF picture", made(func(w io.Writer) error { return gif.Encode(w, picture, nil) }), false},
		{"a bzip2 file", bz, false},
		{"an xz file", fresh(le).text(0, "\xFD7zXZ\x00").data, false},
		{"a zstd file", fresh(le).text(0, "\x28\xB5\x2F\xFD").data, false},
		{"an ar archive", fresh(le).text(0, "!<arch>\n").data, false},
		{"an Ogg file", fresh(le).text(0, "OggS").data, false},
		{"a FLAC file", fresh(le).text(0, "fLaC").data, false},
		{"a collection of fonts", fresh(be).text(0, "ttcf").data, false},
		{"a USB firmware file", fresh(le).u32(0, 0x20002000).text(size-8, "UFD\x10").data, false},
		{"a program with a devicetree blob at its end", fresh(be).u32(0, 0x3F010010).u32(8000, 0xD00DFEED).u32(8004, size-8000).u32(8020, 17).data, false},
		{"a program that a BIOS boots", fresh(le).text(0, "\xEA\x05\x00\xC0\x07").data, false},
		{"a FITS file", fresh(le).text(0, "SIMPLE  =                    T / made by hand").data, false},
		{"a PDF document", fresh(le).text(0, "%PDF-1.7\n").data, false},
		{"a Type 1 font", fresh(le).text(0, "\x80\x01").u32(2, 900).text(6, "%!PS-AdobeFont-1.0: Slope").data, false},
		{"an X cursor", fresh(le).text(0, "Xcur").u32(4, 16).data, false},
		{"a RIFF file (sound or film)", fresh(le).text(0, "RIFF").u32(4, size-8).text(8, "WAVE").data, true},
		{"a WOFF font", fresh(be).text(0, "wOFF").u32(8, size).data, true},
		{"a TrueType or OpenType font", fresh(be).u32(0, 0x10000).u16(4, 3).u16(6, 32).u16(8, 1).u16(10, 16).
			text(12, "cmap").u32(20, 60).u32(24, 100).text(28, "glyf").u32(36, 160).u32(40, size-160).text(44, "head").u32(52, 100).u32(56, 54).data, true},
		{"a GNU message catalogue", fresh(le).u32(0, 0x950412DE).u32(8, 1).u32(12, 28).u32(16, 36).
			u32(28, 3).u32(32, 50).u32(36, size-101).u32(40, 100).data, true},
		{"an SQLite database", blank(16<<10, binary.BigEndian).text(0, "SQLite format 3").u16(16, 4096).u32(24, 7).u32(28, 4).u32(92, 7).data, true},
		{"a devicetree blob", fresh(be).u32(0, 0xD00DFEED).u32(4, size).u32(20, 17).data, true},
		{"a U-Boot image", fresh(be).u32(0, 0x27051956).u32(12, size-64).data, true},
		{"an ACPI table", fresh(le).text(0, "DSDT").u32(4, size).data, true},
		{"a UEFI firmware volume", fresh(le).text(40, "_FVH").u32(32, size).u16(48, 72).u16(50, 0x10000-0x465F-0x4856-size-72).data, true},
		{"a PCI option ROM", blank(8192, binary.LittleEndian).u16(0, 0xAA55).u16(0x18, 0x1C).text(0x1C, "PCIR").u16(0x2C, 4).
			u16(2048, 0xAA55).u16(2048+0x18, 0x1C).text(2048+0x1C, "PCIR").u16(2048+0x2C, 12).u16(2048+0x31, 0x80).data, true},
		{"a Linux kernel or a program that boots as one", blank(5*512+16*400, binary.LittleEndian).u16(0x1FE, 0xAA55).text(0x202, "HdrS").u32(0x1F4, 400).data, true},
		{"a UF2 file", blank(18*512, binary.LittleEndian).text(0, "UF2\n").u32(4, 0x9E5D5157).u32(24, 18).u32(508, 0x0AB16F30).data, true},
		{"a TIFF picture", fresh(be).text(0, "MM").u16(2, 42).u32(4, 800).u16(800, 12).data, false},
		{"a BMP picture", fresh(le).text(0, "BM").u16(2, size).u16(4, 0).u32(10, 54).u32(14, 40).data, true},
		{"an IFF file (sound or picture)", fresh(be).text(0, "FORM").u32(4, size-8).text(8, "AIFF").data, true},
		{"a MIDI file", fresh(be).text(0, "MThd").u32(4, 6).data, false},
		{"an MP4 film", fresh(be).u32(0, 32).text(4, "ftypisom").data, false},
		{"a Matroska film", fresh(be).u32(0, 0x1A45DFA3).data, false},
		{"a tar archive", made(func(w io.Writer) error {
			t := tar.NewWriter(w)
			if err := t.WriteHeader(&tar.Header{Name: "backup/", Mode: 0o755, Typeflag: tar.TypeDir}); err != nil {
				return err
			}
			return t.Close()
		}), false},
		{"an LZ4 file", fresh(le).u32(0, 0x184D2204).data, false},
		{"a 7z archive", fresh(le).text(0, "7z\xBC\xAF\x27\x1C").data, false},
		{"an HDF5 file", fresh(le).text(0, "\x89HDF\r\n\x1A\n").data, false},
		{"a Java class", fresh(be).u32(0, 0xCAFEBABE).u32(4, 61).data, false},
		{"a WebAssembly module", fresh(le).text(0, "\x00asm").u32(4, 1).data, false},
		{"a Lua program", fresh(le).text(0, "\x1BLua\x54").data, false},
		{"a GObject type library", fresh(le).text(0, "GOBJ\nMETADATA\r\n\x1A").data, false},
		{"a Qt message catalogue", fresh(be).u32(0, 0x3CB86418).u32(4, 0xCAEF9C95).data, false},
		{"an icon", fresh(le).u16(2, 1).u16(4, 2).u32(38, 40).u32(14, 1000).u32(18, 38).u32(30, size-1038).u32(34, 1038).data, true},
		{"a cpio archive", fresh(be).text(0, "070701").data, false},
		{"a cpio archive", fresh(le).u16(0, 0o070707).u16(20, 6).text(26, "small\x00").data, false},
		{"an Erlang program", fresh(be).text(0, "FOR1").u32(4, size-8).text(8, "BEAM").data, true},
		{"a file whose header states its own length", fresh(be).text(0, "design").u32(71, size-75).data, false},
		{"a TeX font metric", blank(4*2000, binary.BigEndian).u16(0, 2000).u16(2, 18).u16(4, 0).u16(6, 127).
			u16(8, 50).u16(10, 16).u16(12, 16).u16(14, 10).u16(16, 1000).u16(18, 700).u16(20, 40).u16(22, 2000-6-18-128-50-16-16-10-1000-700-40).data, true},
		{"an ISO 9660 disc image", blank(60<<10, binary.LittleEndian).text(0x8000, "\x01CD001\x01").u32(0x8050, 30).u16(0x8080, 2048).data, true},
		{"a PE program", fresh(le).text(0, "MZ").u32(0x3C, 128).text(128, "PE").u16(134, 1).u16(148, 16).
			u32(128+24+16+16, size-1024).u32(128+24+16+20, 1024).data, true},
		{"a file whose header states its own length", fresh(be).u32(52, size).data, false}, // cut, it states another's
	}
	if runtime.GOOS == "linux" {
		path, err := os.Executable()
		require.NoError(t, err)
		program, err := os.ReadFile(path)
		require.NoError(t, err)
		list = append(list, kindSample{"an ELF file", program, true})
	}
	return list
}

// Every kind is told by name, whole it raises no alarm about its size, and cut
// it is a fault if its header states its length.
func TestKinds(t *testing.T) {
	judge := func(data []byte) *examiner {
		x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
		x.checkSize()
		return x
	}
	seen := map[string]bool{}
	for _, s := range samples(t) {
		seen[s.kind] = true
		k, length := kindOf(s.data)
		require.NotNil(t, k, s.kind)
		require.Equal(t, s.kind, k.name)
		x := judge(s.data)
		require.Equal(t, []string{"file-kind"}, codes(x.findings), s.kind)
		assert.Contains(t, x.findings[0].Message, s.kind)
		if !s.states {
			continue
		}
		assert.LessOrEqual(t, length, uint64(len(s.data)), s.kind)
		assert.Greater(t, length, uint64(len(s.data)*9/10), s.kind)
		x = judge(s.data[:len(s.data)*4/5])
		if k, _ := kindOf(s.data[:len(s.data)*4/5]); assert.NotNil(t, k, s.kind) {
			assert.Equal(t, []string{"file-short"}, codes(x.findings), s.kind)
			assert.Contains(t, x.findings[0].Message, "only in part", s.kind)
		}
	}
	for _, k := range kinds {
		if k.name != "an ELF file" || runtime.GOOS == "linux" {
			assert.True(t, seen[k.name], "no sample of %s", k.name)
		}
	}
}

// The samples are what they are said to be by file(1) too, which has its own
// table. It does not know the kinds that stand for "" here.
func TestKindsAgainstFile(t *testing.T) {
	program := imagetest.Tool(t, "file")
	says := map[string]string{
		"a gzip file": "gzip", "an xz file": "XZ", "a bzip2 file": "bzip2", "a zstd file": "Zstandard", "a zip file": "Zip archive",
		"an ar archive": "ar archive", "an ELF file": "ELF", "a PE program": "PE", "a PNG picture": "PNG", "a JPEG picture": "JPEG",
		"a GIF picture": "GIF", "a RIFF file (sound or film)": "RIFF", "an Ogg file": "Ogg", "a FLAC file": "FLAC",
		"a TrueType or OpenType font": "TrueType Font", "a collection of fonts": "collection", "a WOFF font": "Web Open Font",
		"a GNU message catalogue": "message catalog", "a Type 1 font": "Type 1", "a PDF document": "PDF", "an X cursor": "X11 cursor",
		"an ISO 9660 disc image": "ISO 9660", "an SQLite database": "SQLite", "a devicetree blob": "Device Tree Blob", "a U-Boot image": "uImage",
		"a PCI option ROM": "ROM Ext", "an ACPI table": "ACPI", "a Linux kernel or a program that boots as one": "kernel", "a UF2 file": "UF2",
		"a FITS file": "FITS", "a TIFF picture": "TIFF", "a BMP picture": "bitmap", "an IFF file (sound or picture)": "IFF", "a MIDI file": "MIDI",
		"an MP4 film": "14496-12", "a Matroska film": "EBML", "an LZ4 file": "LZ4", "a 7z archive": "7-zip", "an HDF5 file": "Hierarchical Data Format",
		"a Java class": "Java class", "a WebAssembly module": "WebAssembly", "a Lua program": "Lua", "a GObject type library": "G-IR", "a TeX font metric": "TeX font metric", "a cpio archive": "cpio", "an Erlang program": "BEAM", "an icon": "icon",
		"a UEFI firmware volume": "", "a USB firmware file": "", "a program with a devicetree blob at its end": "", "a program that a BIOS boots": "",
		"a tar archive": "tar archive", "a Qt message catalogue": "", "a file whose header states its own length": "",
	}
	for _, s := range samples(t) {
		want, ok := says[s.kind]
		require.True(t, ok, s.kind)
		if want == "" {
			continue
		}
		cmd := exec.Command(program, "--brief", "-")
		cmd.Stdin = bytes.NewReader(s.data)
		out, err := cmd.Output()
		require.NoError(t, err)
		assert.Contains(t, string(out), want, s.kind)
	}
}

// A memory says nothing of the kind, nor does one that begins with a small file
// of some kind, or with bytes that look a little like one.
func TestMemoriesAreOfNoKind(t *testing.T) {
	memory := faults.Synth(rand.New(rand.NewPCG(31, 2)), 64<<10)
	for name, change := range map[string]func(d []byte){
		"plain":                  func([]byte) {},
		"zeros first":            func(d []byte) { clear(d[:64]) },
		"a small blob first":     func(d []byte) { form{d, big}.u32(0, 0xD00DFEED).u32(4, 2000).u32(20, 17) },
		"00 01 00 00 first":      func(d []byte) { form{d, big}.u32(0, 0x10000) },
		"55 AA first":            func(d []byte) { form{d, little}.u16(0, 0xAA55).u16(0x18, 0) },
		"MZ first":               func(d []byte) { copy(d, "MZ") },
		"BM first":               func(d []byte) { copy(d, "BM") },
		"II 42 first":            func(d []byte) { copy(d, "II\x2A\x00\x00\x00\x01\x00"); clear(d[0x10000-8:]) },
		"1F 8B 08 first":         func(d []byte) { copy(d, "\x1F\x8B\x08\xFF") },
		"FF D8 FF first":         func(d []byte) { copy(d, "\xFF\xD8\xFF\xE0\x00\x10"); d[20] = 1 },
		"ustar amid code":        func(d []byte) { copy(d[257:], "ustar") },
		"numbers like an icon's": func(d []byte) { form{d, little}.u32(0, 0x10000).u32(4, 0x10100001) },
		"RIFF of no kind":        func(d []byte) { form{d, little}.text(0, "RIFF").u32(4, 64<<10-8).u32(8, 0) },
		"an absurd length":       func(d []byte) { form{d, big}.text(0, "FORM").u32(4, 0x7FFFFFFF) },
		"_FVH amid code":         func(d []byte) { form{d, little}.text(40, "_FVH").u32(32, 64<<10).u32(36, 0).u16(48, 72) },
		"an empty icon":          func(d []byte) { clear(d[:22]); d[2], d[4] = 1, 1 },
		"cpio without a name":    func(d []byte) { copy(d, "\xC7\x71"); d[20], d[21] = 6, 0; d[31] = 'x' },
		"lengths that add up":    func(d []byte) { clear(d[:24]); d[1], d[3] = 20, 14 }, // to a file of 80 bytes
		"GIF8 without the rest":  func(d []byte) { copy(d, "GIF8?!") },
	} {
		data := bytes.Clone(memory)
		change(data)
		k, _ := kindOf(data)
		assert.Nil(t, k, name)
	}
}

// A tail in or behind a file that states its length is no padding of a read.
func TestPaddingBehindAFile(t *testing.T) {
	data := append(blank(40<<10, binary.LittleEndian).text(0x8000, "\x01CD001\x01").u32(0x8050, 20).u16(0x8080, 2048).data, make([]byte, 88<<10)...) // 128 KiB, as a memory may have
	r := rand.New(rand.NewPCG(31, 3))
	for i := range data[:0x8000] {
		data[i] = byte(r.Uint32())
	}
	for i := 0x8100; i < 40<<10; i++ {
		data[i] = byte(r.Uint32())
	}
	assert.Equal(t, evidence.Note, findingOf(t, examineBytes(t, data), "tail-constant").Severity)
	data[0x8000] = 0 // no disc image any more
	assert.Equal(t, evidence.Caution, findingOf(t, examineBytes(t, data), "tail-constant").Severity)
}

// Files that carry addresses have whatever size the program in them has.
func TestSizeOfRecordsIsNotJudged(t *testing.T) {
	im, err := image.New(strings.NewReader(":0400000001020304F2\n:00000001FF\n"), 32, image.Options{Format: image.FormatIntelHex})
	require.NoError(t, err)
	rep, err := Examine(nil, im)
	require.NoError(t, err)
	assert.NotContains(t, codes(rep.Findings), "size-odd")
}

func FuzzKindOf(f *testing.F) {
	for _, s := range samples(f) {
		if len(s.data) < 50<<10 {
			f.Add(s.data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		k, length := kindOf(data)
		if k == nil {
			assert.Zero(t, length)
		}
		x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
		x.checkSize()
		x.checkTail()
		assert.True(t, x.fileEnd >= 0 && x.fileEnd <= len(data))
	})
}

// What proves that a file ends where it should is gone when it is cut.
func TestEndsThatProveThemselves(t *testing.T) {
	for _, s := range samples(t) {
		if s.kind == "a USB firmware file" || s.kind == "a program with a devicetree blob at its end" {
			k, _ := kindOf(s.data[:len(s.data)-1])
			assert.Nil(t, k, s.kind)
		}
	}
}

// What looks odd in a picture means nothing, and in a memory it does; a picture
// that is cut short is a fault all the same.
func TestOnlyMemoriesAreReadAgain(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 1))
	data := faults.Synth(r, 64<<10)
	for i := range 5 {
		copy(data[32<<10+i*512:][:512], data[16<<10:])
	}
	severities := func(data []byte) map[string]evidence.Severity {
		rep, err := Examine(nil, imageOf(t, data))
		require.NoError(t, err)
		out := map[string]evidence.Severity{}
		for _, f := range rep.Findings {
			out[f.Code] = f.Severity
		}
		assert.NotEqual(t, evidence.Pass, rep.Verdict)
		return out
	}
	require.Equal(t, evidence.Fault, severities(data)[CodeBlockRepeated])
	riff := form{bytes.Clone(data), binary.LittleEndian}.text(0, "RIFF").u32(4, 64<<10-8).text(8, "WAVE").data
	assert.Equal(t, map[string]evidence.Severity{CodeBlockRepeated: evidence.Note, CodeFileKind: evidence.Note}, severities(riff))
	assert.Equal(t, evidence.Fault, severities(riff[:60<<10])[CodeFileShort])
	assert.Equal(t, evidence.Fault, severities(riff[:60<<10])[CodeBlockRepeated])
	tree := form{bytes.Clone(data), binary.BigEndian}.u32(0, 0xD00DFEED).u32(4, 64<<10).u32(20, 17).data
	assert.Equal(t, evidence.Fault, severities(tree)[CodeBlockRepeated], "a memory may begin with a device tree")
}

// A program that a linker made is examined as what it loads, and is read again
// by nobody.
func TestProgramsAreNotReadAgain(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(8, 2)), 64<<10)
	for i := range 5 {
		copy(data[32<<10+i*512:][:512], data[16<<10:])
	}
	const headers = 52 + 32
	program := form{append(make([]byte, headers), data...), binary.BigEndian}.text(0, "\x7FELF\x01\x02\x01").u16(16, 2).u16(18, 20).u32(20, 1).
		u32(28, 52).u16(40, 52).u16(42, 32).u16(44, 1).u32(52, 1).u32(56, headers).u32(60, 0x8000).u32(64, 0x8000).u32(68, 64<<10).u32(72, 64<<10).data
	im, err := image.New(bytes.NewReader(program), int64(len(program)), image.Options{})
	require.NoError(t, err)
	require.Equal(t, image.FormatELF, im.Format())
	rep, err := Examine(nil, im)
	require.NoError(t, err)
	assert.Equal(t, evidence.Note, findingOf(t, rep, CodeBlockRepeated).Severity)
	assert.Contains(t, findingOf(t, rep, CodeFileKind).Message, "65,536 bytes that it loads")
}
