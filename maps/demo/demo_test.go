package demo

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"math/bits"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/vin"
	"example.com/calproof/maps"
)

// scenario returns the files by name.
func scenario(t testing.TB) map[string][]byte {
	t.Helper()
	files, err := Files()
	require.NoError(t, err)
	byName := map[string][]byte{}
	for _, f := range files {
		byName[f.Name] = f.Data
	}
	require.Len(t, byName, len(files), "names are unique")
	return byName
}

func groomer(t testing.TB) *maps.Map {
	t.Helper()
	m, err := maps.Parse(MapName, mapText)
	require.NoError(t, err)
	return m
}

func bind(t testing.TB, data []byte) *maps.Bound {
	t.Helper()
	im, err := image.FromSegments(image.Segment{Data: data})
	require.NoError(t, err)
	b, err := maps.Bind(groomer(t), im)
	require.NoError(t, err)
	return b
}

// disagreeing names the rules that do not agree.
func disagreeing(b *maps.Bound) []string {
	var names []string
	for _, r := range b.Check() {
		if r.Verdict != evidence.Pass {
			names = append(names, r.Rule)
		}
	}
	return slices.Compact(names)
}

func TestFilesAreTheSameEveryTime(t *testing.T) {
	first, err := Files()
	require.NoError(t, err)
	second, err := Files()
	require.NoError(t, err)
	assert.Equal(t, first, second)
	for _, f := range first[1:] {
		assert.Len(t, f.Data, imageSize, f.Name)
	}
}

// TestVerdicts holds every file against what the scenario says of it.
func TestVerdicts(t *testing.T) {
	files := scenario(t)
	for name, want := range map[string][]string{
		"backup.bin":      nil,
		"second-read.bin": nil,
		"edited.bin":      nil,
		"edited-boot.bin": nil,
		// the pad byte replaced everything from the middle of the drive calibration on
		"short-read.bin":   {"drive tables sum", "calibration CRC", "calibration balance"},
		"edited-stale.bin": {"calibration CRC"},
	} {
		assert.Equal(t, want, disagreeing(bind(t, files[name])), name)
	}
	stuck := disagreeing(bind(t, files["stuck-line-read.bin"]))
	assert.Contains(t, stuck, "program sum")
	assert.Contains(t, stuck, "calibration CRC")
	assert.NotContains(t, stuck, "boot CRC", "the boot region lies below the line")
}

// region returns the name of the region of every changed byte.
func changedRegions(t testing.TB, a, b []byte) (names []string, n int) {
	t.Helper()
	m := groomer(t)
	for i := range a {
		if a[i] != b[i] {
			r, ok := m.RegionAt(uint64(i))
			require.True(t, ok, "address %#x lies in no region", i)
			names = append(names, r.Name)
			n++
		}
	}
	return slices.Compact(names), n
}

func TestWhatDiffers(t *testing.T) {
	files := scenario(t)
	backup := files["backup.bin"]

	names, n := changedRegions(t, backup, files["second-read.bin"])
	assert.Equal(t, []string{"adaptation"}, names)
	assert.Greater(t, n, 4)

	names, _ = changedRegions(t, backup, files["edited.bin"])
	assert.Equal(t, []string{"drive calibration"}, names)

	names, _ = changedRegions(t, backup, files["edited-boot.bin"])
	assert.Equal(t, []string{"boot", "drive calibration"}, names)

	short := files["short-read.bin"]
	assert.Equal(t, backup[:shortReadStop], short[:shortReadStop])
	assert.Equal(t, bytes.Repeat([]byte{0xFF}, imageSize-shortReadStop), short[shortReadStop:])

	stuck := files["stuck-line-read.bin"]
	for i := range stuck {
		require.Equal(t, stuck[i^1<<stuckAddressLine], stuck[i])
	}
}

// TestTables proves that the map and the generator mean the same tables.
func TestTables(t *testing.T) {
	files := scenario(t)
	values := func(file, table string) (v []float64) {
		for _, tab := range bind(t, files[file]).Tables() {
			assert.Empty(t, tab.Problem, tab.Name)
			for _, c := range tab.Cells {
				assert.False(t, c.Outside, "%s in %s: %v is outside its limits", tab.Name, file, c.Value)
				if tab.Name == table {
					v = append(v, c.Value)
				}
			}
		}
		return v
	}
	assert.Equal(t, []float64{1100, 1080, 1040, 980, 900, 820, 760, 720}, values("backup.bin", "warm-up idle speed"))
	assert.Equal(t, []float64{1220, 1180, 1120, 1040, 940, 840, 760, 720}, values("edited.bin", "warm-up idle speed"))
	assert.Equal(t, []float64{
		4, 5, 6, 7, 7, 6, 5,
		6, 8, 10, 11, 11, 9, 7,
		7, 9.5, 14, 16, 15, 12, 9,
		8, 11, 17, 20, 18, 14, 10,
	}, values("edited.bin", "track-speed limit"))
	assert.Equal(t, []float64{45, 70, 80, 30, 55, 65}, values("backup.bin", "blade lift speed"))
	assert.InDeltaSlice(t, []float64{3184.2}, values("backup.bin", "operating hours"), 1e-9)
	assert.InDeltaSlice(t, []float64{3184.3}, values("second-read.bin", "operating hours"), 1e-9)
}

func TestIdentity(t *testing.T) {
	got := map[string]string{}
	for _, id := range bind(t, scenario(t)["backup.bin"]).Identity() {
		assert.Empty(t, id.Problem, id.Name)
		assert.Empty(t, id.Notes, id.Name)
		got[id.Name] = id.Value
	}
	assert.Equal(t, "HILL-DRV-0417-C", got["software number"])
	assert.Equal(t, "PISTE-DRV-16/2", got["hardware number"])
	assert.Equal(t, "2014000317", got["serial number"])
	res, err := vin.Check(got["machine number"])
	require.NoError(t, err)
	assert.True(t, res.Agrees())
}

// TestStoredValues computes what every rule of groomer.toml must store, from
// the definitions of the algorithms and hash/crc32, without the packages
// checksum and maps.
func TestStoredValues(t *testing.T) {
	files := scenario(t)
	for _, name := range []string{"backup.bin", "second-read.bin", "edited.bin", "edited-boot.bin"} {
		d := files[name]
		be16 := func(at int) uint16 { return binary.BigEndian.Uint16(d[at:]) }
		be32 := func(at int) uint32 { return binary.BigEndian.Uint32(d[at:]) }
		le16 := func(at int) uint16 { return binary.LittleEndian.Uint16(d[at:]) }
		le32 := func(at int) uint32 { return binary.LittleEndian.Uint32(d[at:]) }

		assert.Equal(t, crc16(0x1021, 0xFFFF, d[:0x3FFE]), be16(0x3FFE), "%s: boot CRC", name)

		next := uint32(0x4000)
		for i := range 4 {
			at := 0x4BF00 + 12*i
			first, last := be32(at), be32(at+4)
			assert.Equal(t, next, first, "%s: block %d", name, i)
			next = last + 1
			assert.Equal(t, byteSum(d[first:last+1]), be32(at+8), "%s: program block %d", name, i)
		}
		assert.Equal(t, uint32(0x4BF00), next, "the blocks cover the program up to their table")

		assert.Equal(t, wordSum(d[0x4000:0x4BFF8]), be32(0x4BFF8), "%s: program sum", name)
		assert.Equal(t, ^be32(0x4BFF8), be32(0x4BFFC), "%s: program sum, complement", name)

		for i := range 4 {
			at := 0x50000 + 0x800*i
			assert.Equal(t, crc16Reflected(0x8D95, bits.Reverse16(0x534E), d[at:at+0x7FE]), le16(at+0x7FE), "%s: hydraulics block %d", name, i)
		}

		salted := append(slices.Clone(d[0x52000:0x55FFC]), 0x48, 0x49, 0x4C, 0x4C)
		assert.Equal(t, ^crc32.ChecksumIEEE(salted), be32(0x55FFC), "%s: after-treatment CRC", name)

		var sum uint16
		for at := 0x56000; at < 0x56200; at += 2 {
			sum += be16(at)
		}
		assert.Zero(t, sum, "%s: adaptation sum: with its two's complement the words sum to zero", name)

		record := slices.Clone(d[0x58000:0x580FE])
		record[0x4F] = 0
		id := crc16Reflected(0x1021, 0, record)
		assert.Equal(t, id, be16(0x580FE), "%s: identity CRC", name)
		assert.Equal(t, crc16Reflected(0x1021, id, d[0x59000:0x5903E]), be16(0x5903E), "%s: key data CRC", name)

		assert.Equal(t, uint16(byteSum(d[0x70100:0x70300])), be16(0x7FFF4), "%s: drive tables sum", name)
		assert.Equal(t, ^be16(0x7FFF4), be16(0x7FFF6), "%s: drive tables sum, complement", name)

		covered := append(slices.Clone(d[0x70000:0x7FFF0]), d[0x7FFF4:0x7FFFC]...)
		assert.Equal(t, crc32.ChecksumIEEE(covered), le32(0x7FFFC), "%s: calibration CRC", name)
		assert.Zero(t, wordSum(d[0x70000:]), "%s: calibration balance", name)
	}
}

// crc16 and crc16Reflected take a CRC bit by bit: most significant bit first,
// and least significant bit first with the register mirrored.
func crc16(poly, reg uint16, data []byte) uint16 {
	for _, b := range data {
		reg ^= uint16(b) << 8
		for range 8 {
			carry := reg >> 15
			reg = reg<<1 ^ carry*poly
		}
	}
	return reg
}

func crc16Reflected(poly, reg uint16, data []byte) uint16 {
	for _, b := range data {
		reg ^= uint16(b)
		for range 8 {
			carry := reg & 1
			reg = reg>>1 ^ carry*bits.Reverse16(poly)
		}
	}
	return reg
}

// The check values of Greg Cook's "Catalogue of parametrised CRC algorithms".
func TestReferenceCRC(t *testing.T) {
	check := []byte("123456789")
	assert.Equal(t, uint16(0x29B1), crc16(0x1021, 0xFFFF, check), "CRC-16/IBM-3740")
	assert.Equal(t, uint16(0x2189), crc16Reflected(0x1021, 0, check), "CRC-16/KERMIT")
	assert.Equal(t, uint16(0x4B37), crc16Reflected(0x8005, 0xFFFF, check), "CRC-16/MODBUS")
}

func byteSum(data []byte) (sum uint32) {
	for _, b := range data {
		sum += uint32(b)
	}
	return sum
}

func wordSum(data []byte) (sum uint32) {
	for at := 0; at < len(data); at += 4 {
		sum += binary.BigEndian.Uint32(data[at:])
	}
	return sum
}
