package diffmap

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/imagetest"
	"example.com/calproof/maps"
)

const sealMapFile = "testdata/seal.toml"

// sealMap is testdata/seal.toml with lines added to its [image] section and
// sections added at its end.
func sealMap(t testing.TB, imageLines, more string) *maps.Map {
	text, err := os.ReadFile(sealMapFile)
	require.NoError(t, err)
	changed := strings.Replace(strings.ReplaceAll(string(text), "\r\n", "\n"), "byte_order = \"big\"\n", "byte_order = \"big\"\n"+imageLines, 1) + more
	m, err := maps.Parse(sealMapFile, []byte(changed))
	require.NoError(t, err)
	return m
}

// crc16 is CRC-16/IBM-3740 bit by bit: polynomial 0x1021, start 0xFFFF, nothing
// reflected (catalogue of parametrised CRC algorithms; check value 29B1 below).
func crc16(data []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range data {
		crc ^= uint16(b) << 8
		for range 8 {
			if crc&0x8000 != 0 {
				crc = crc<<1 ^ 0x1021
			} else {
				crc <<= 1
			}
		}
	}
	return crc
}

// sealed puts the stored values of p right with nothing of this project.
func sealed(p []byte) []byte {
	p = bytes.Clone(p)
	binary.BigEndian.PutUint16(p[0x4FE:], crc16(p[0x400:0x4FE]))
	binary.LittleEndian.PutUint32(p[0x5FC:], crc32.ChecksumIEEE(p[0x400:0x5FC]))
	var sum uint32
	for i := 0x600; i < 0x6FC; i += 4 {
		sum += binary.BigEndian.Uint32(p[i:])
	}
	binary.BigEndian.PutUint32(p[0x6FC:], -sum)
	binary.BigEndian.PutUint32(p[0x9FC:], crc32.ChecksumIEEE(p[0x800:0x9FC]))
	return p
}

func sealImage() []byte {
	r := rand.New(rand.NewPCG(11, 3))
	p := make([]byte, 0x1000)
	for i := range p {
		p[i] = byte(r.Uint32())
	}
	return sealed(p)
}

func bindRaw(t testing.TB, m *maps.Map, p []byte) *maps.Bound {
	b, err := maps.New("test.bin", bytes.NewReader(p), int64(len(p)), m, image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	return b
}

func written(t testing.TB, b *maps.Bound, patches []maps.Patch) []byte {
	segments, err := b.InFile(patches)
	require.NoError(t, err)
	var out bytes.Buffer
	require.NoError(t, image.WritePatched(&out, b.Opened(), segments...))
	return out.Bytes()
}

func TestReseal(t *testing.T) {
	require.Equal(t, uint16(0x29B1), crc16([]byte("123456789")), "check value of the catalogue")
	m := sealMap(t, "", "")
	original := sealImage()
	for _, c := range []struct {
		name   string
		edit   map[int]byte
		accept map[string]string
		rules  []string // that are put right, in the order they must be
	}{
		{"nothing", nil, nil, nil},
		{"inner before outer", map[int]byte{0x410: 0x55}, nil, []string{"inner CRC", "outer CRC"}},
		{"outer alone", map[int]byte{0x510: 0x55}, nil, []string{"outer CRC"}},
		{"zero sum", map[int]byte{0x610: 0x55, 0x6F0: 0x66}, nil, []string{"zero sum"}},
		{"a stored value that was changed", map[int]byte{0x5FC: 0x55}, nil, []string{"outer CRC"}},
		{"the balancing cell itself", map[int]byte{0x6FD: 0x55}, nil, []string{"zero sum"}},
		{"asked and accepted", map[int]byte{0x810: 0x55}, map[string]string{"asked values": "agreed"}, []string{"asked CRC"}},
		{"all", map[int]byte{0x400: 1, 0x600: 2, 0x800: 3}, map[string]string{"asked values": "agreed"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			edited := bytes.Clone(original)
			for at, v := range c.edit {
				edited[at] ^= v
			}
			in := ResealInput{Image: bindRaw(t, m, edited), Original: raw(t, original), Accepted: c.accept}
			res, err := Reseal(in)
			require.NoError(t, err)
			want := sealed(edited)
			assert.Equal(t, want, written(t, in.Image, res.Patches), "what the outside computes, and not a byte else")
			if c.rules != nil {
				var got []string
				for _, f := range res.Fields {
					got = append(got, f.Rule)
					assert.Equal(t, fmt.Sprintf("%X", edited[f.Range.Start:f.Range.End()]), f.Before)
					assert.Equal(t, fmt.Sprintf("%X", want[f.Range.Start:f.Range.End()]), f.After)
				}
				assert.Equal(t, c.rules, got)
			}
			for _, r := range res.Rules {
				assert.Equal(t, evidence.Pass, r.Verdict, r.Rule)
			}
			assert.True(t, res.Original)
			for _, f := range res.Findings {
				assert.Equal(t, evidence.Note, f.Severity, "%s", f.Message)
			}
		})
	}
}

// What must not be resealed, and that each reason is named.
func TestResealRefuses(t *testing.T) {
	original := sealImage()
	noField := "\n[[checksum]]\nname = \"no field\"\nalgorithm = \"sum-32/u32be\"\ncover = [\"0x740-0x7FF\"]\ntarget = 0\n"
	signedSum := "\n[[checksum]]\nname = \"in the signature\"\nalgorithm = \"CRC-32/ISO-HDLC\"\ncover = [\"0x740-0x7FF\"]\nstored = { at = 0xB3C }\n"
	for _, c := range []struct {
		name  string
		more  string
		edit  []int
		codes []string // of a refusal; nil for another error
		want  string
	}{
		{"program", "", []int{0x10, 0x410}, []string{CodeChangedProtected}, `1 byte of program region "program" changed`},
		{"learnt values", "", []int{0xA10, 0x410}, []string{CodeChangedForbidden}, `"learnt"`},
		{"outside every region", "", []int{0xC10, 0x410}, []string{CodeChangedOutside}, "no region of the map names"},
		{"asked and not accepted", "", []int{0x810}, []string{CodeEditNotAccepted}, "must be accepted by name"},
		{"covered by a signature", "", []int{0x710}, []string{CodeSignatureBroken}, "only the holder of the key"},
		{"signature itself", "", []int{0xB00}, []string{CodeChangedProtected}, `signature region`},
		{"two reasons at once", "", []int{0x10, 0x710}, []string{CodeSignatureBroken, CodeChangedProtected}, "only the holder of the key"},
		{"a value in the signature", signedSum, []int{0x750}, []string{CodeSignatureBroken}, "cannot be computed without its key"},
		{"no field to write", noField, []int{0x750}, nil, `checksum "no field" does not agree, and the map names no field`},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := sealMap(t, "", c.more)
			edited := bytes.Clone(original)
			for _, at := range c.edit {
				edited[at] ^= 0x40
			}
			res, err := Reseal(ResealInput{Image: bindRaw(t, m, edited), Original: raw(t, original)})
			require.ErrorContains(t, err, c.want)
			assert.Nil(t, res)
			if c.codes == nil {
				var none *maps.NoFieldError
				assert.ErrorAs(t, err, &none)
				return
			}
			var refused *RefusedError
			require.ErrorAs(t, err, &refused)
			var codes []string
			for _, f := range refused.Findings {
				codes = append(codes, f.Code)
			}
			for _, code := range c.codes {
				assert.Contains(t, codes, code)
			}
			if c.name == "a value in the signature" {
				return // the stored value was wrong in the original too, so more is refused
			}
			assert.Len(t, codes, len(c.codes))
		})
	}
	m := sealMap(t, "", "")
	_, err := Reseal(ResealInput{Image: bindRaw(t, m, original)})
	assert.ErrorIs(t, err, ErrNoOriginal)
	short := imageOf(t, image.Segment{Data: original[:0xF00]})
	_, err = Reseal(ResealInput{Image: bindRaw(t, m, original), Original: short})
	var refused *RefusedError
	require.ErrorAs(t, err, &refused)
	assert.Equal(t, CodeCoverageAppeared, refused.Findings[0].Code)
}

// Without an original the values are computed all the same, and the record says
// that nobody looked at the rest; a signature over a stored value still stops it.
func TestResealWithoutOriginal(t *testing.T) {
	m := sealMap(t, "", "")
	edited := sealImage()
	edited[0x10] ^= 1 // in the program: nobody looks
	edited[0x410] ^= 1
	res, err := Reseal(ResealInput{Image: bindRaw(t, m, edited), WithoutOriginal: true})
	require.NoError(t, err)
	require.Len(t, res.Findings, 1)
	assert.Equal(t, CodeNoOriginal, res.Findings[0].Code)
	assert.False(t, res.Original)
	assert.Equal(t, sealed(edited), written(t, bindRaw(t, m, edited), res.Patches))
	_, err = Reseal(ResealInput{Image: bindRaw(t, sealMap(t, "", "\n[[region]]\nname = \"other signature\"\nrange = \"0xB40-0xB7F\"\nrole = \"signature\"\ncover = [\"0x400-0x5FF\"]\n"), edited), WithoutOriginal: true})
	assert.ErrorContains(t, err, `signature "other signature" covers bytes that changed`)
}

// A field in a region whose edit is asked for and accepted is no caution; one in
// a region that is forbidden is.
func TestResealFieldNotAllowed(t *testing.T) {
	original := sealImage()
	edited := bytes.Clone(original)
	edited[0x750] ^= 1
	m := sealMap(t, "", "\n[[checksum]]\nname = \"far sum\"\nalgorithm = \"CRC-32/ISO-HDLC\"\ncover = [\"0x740-0x7FF\"]\nstored = { at = 0x3FC }\n")
	for _, p := range [][]byte{original, edited} {
		binary.BigEndian.PutUint32(p[0x3FC:], crc32.ChecksumIEEE(original[0x740:0x800]))
	}
	res, err := Reseal(ResealInput{Image: bindRaw(t, m, edited), Original: raw(t, original)})
	require.NoError(t, err)
	require.Len(t, res.Findings, 1)
	assert.Equal(t, CodeFieldNotAllowed, res.Findings[0].Code)
	assert.Equal(t, "program", res.Findings[0].Region)
}

// Files whose bytes are arranged otherwise than the memory: the right bytes of
// the file are changed, in raw files and in records.
func TestResealArranged(t *testing.T) {
	const size = 0x1000
	for _, c := range []struct {
		name, lines string
		place       func(addr int) int // of an address in the file
	}{
		{"plain", "", func(a int) int { return a }},
		{"swapped 2", "swapped = 2\n", func(a int) int { return a ^ 1 }},
		{"swapped 4", "swapped = 4\n", func(a int) int { return a ^ 3 }},
		{"interleaved", "interleaved = 2\n", func(a int) int { return a%(size/2)*2 + a/(size/2) }},
		{"two chips", "parts = [{ name = \"p\", file = [\"0x0-0x7FF\", \"0x800-0xFFF\"] }]\n", func(a int) int { return a%2*(size/2) + a/2 }},
		{"two parts", "parts = [{ name = \"high\", file = \"0x0-0x7FF\", base = 0x800 }, { name = \"low\", file = \"0x800-0xFFF\", base = 0 }]\n", func(a int) int { return (a + size/2) % size }},
		{"swapped, then interleaved", "swapped = 2\ninterleaved = 2\n", func(a int) int { return (a%(size/2)*2 + a/(size/2)) ^ 1 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := sealMap(t, c.lines, "")
			arrange := func(memory []byte) []byte {
				out := make([]byte, size)
				for a, v := range memory {
					out[c.place(a)] = v
				}
				return out
			}
			original := sealImage()
			edited := bytes.Clone(original)
			edited[0x410] ^= 0x55
			edited[0x611] ^= 0x55
			in := ResealInput{Image: bindRaw(t, m, arrange(edited)), Original: bindRaw(t, m, arrange(original)).Image}
			res, err := Reseal(in)
			require.NoError(t, err)
			assert.Equal(t, arrange(sealed(edited)), written(t, in.Image, res.Patches))
		})
	}
	// Records carry addresses; only a swap is undone. Lines that hold no stored
	// value stay as they are, to the letter.
	for _, swapped := range []int{0, 2, 4} {
		for _, format := range []image.Format{image.FormatIntelHex, image.FormatSRecord} {
			t.Run(fmt.Sprintf("%s swapped %d", format, swapped), func(t *testing.T) {
				lines := ""
				if swapped > 0 {
					lines = fmt.Sprintf("swapped = %d\n", swapped)
				}
				m := sealMap(t, lines, "")
				records := func(memory []byte) []byte {
					data := make([]byte, size)
					for a, v := range memory {
						data[a^max(swapped-1, 0)] = v
					}
					im := imageOf(t, image.Segment{Data: data})
					var out bytes.Buffer
					if format == image.FormatIntelHex {
						require.NoError(t, image.WriteIntelHex(&out, im, image.IntelHexOptions{}))
					} else {
						require.NoError(t, image.WriteSRecord(&out, im, image.SRecordOptions{}))
					}
					return out.Bytes()
				}
				open := func(text []byte) *maps.Bound {
					b, err := maps.New("test", bytes.NewReader(text), int64(len(text)), m, image.Options{})
					require.NoError(t, err)
					return b
				}
				original := sealImage()
				edited := bytes.Clone(original)
				edited[0x410] ^= 0x55
				in := ResealInput{Image: open(records(edited)), Original: open(records(original)).Image}
				res, err := Reseal(in)
				require.NoError(t, err)
				assert.Equal(t, string(records(sealed(edited))), string(written(t, in.Image, res.Patches)))
			})
		}
	}
}

// The resealed file against Python's own zlib, which computes the same CRC-32.
func TestResealAgainstZlib(t *testing.T) {
	python := imagetest.Python(t, "zlib")
	m := sealMap(t, "", "")
	original := sealImage()
	edited := bytes.Clone(original)
	edited[0x410] ^= 0x55
	edited[0x810] ^= 0x55
	in := ResealInput{Image: bindRaw(t, m, edited), Original: raw(t, original), Accepted: map[string]string{"asked values": "agreed"}}
	res, err := Reseal(in)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "sealed.bin")
	require.NoError(t, os.WriteFile(path, written(t, in.Image, res.Patches), 0o666))
	const script = `import sys, zlib, struct
p = open(sys.argv[1], "rb").read()
print(zlib.crc32(p[0x400:0x5FC]) == struct.unpack("<I", p[0x5FC:0x600])[0], zlib.crc32(p[0x800:0x9FC]) == struct.unpack(">I", p[0x9FC:0xA00])[0])`
	out, err := exec.Command(python, "-c", script, path).CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.Equal(t, "True True", strings.TrimSpace(string(out)))
}
