package maps_test

import (
	"bytes"
	"compress/gzip"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/imagetest"
	"example.com/calproof/maps"
)

// The maps in examples/ are for files made outside this project. Values,
// sizes and hashes here come from those files' own specifications and were
// computed by a Python script that is no part of this project; the SHA-256
// tells the version of a file for which they hold.

const romDir = "ipxe-qemu/usr/lib/ipxe/qemu/"

func bind(t *testing.T, mapFile, file string) *maps.Bound {
	t.Helper()
	m, err := maps.Load(filepath.Join("examples", mapFile))
	require.NoError(t, err)
	b, err := maps.Open(file, m, image.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, b.Close()) })
	return b
}

// agree checks that every rule passes and returns the results by name.
func agree(t *testing.T, b *maps.Bound) map[string]maps.RuleResult {
	t.Helper()
	assert.Empty(t, b.Coverage())
	results := map[string]maps.RuleResult{}
	for _, r := range b.Check() {
		assert.Equal(t, evidence.Pass, r.Verdict, "%s: %s", r.Rule, r.Reason)
		results[r.Rule] = r
	}
	require.NotEmpty(t, results)
	return results
}

// breaks checks that the rule fails when one byte is changed, and that a seal
// of the changed image restores agreement by the named bytes only.
func breaks(t *testing.T, b *maps.Bound, at uint64, rules ...string) {
	t.Helper()
	old, err := b.Image.Bytes(image.Range{Start: at, Size: 1})
	require.NoError(t, err)
	broken, err := b.Apply([]maps.Patch{{Addr: at, After: []byte{old[0] ^ 0x5A}}})
	require.NoError(t, err)
	failed := 0
	for _, r := range broken.Check() {
		if r.Verdict == evidence.Fail {
			failed++
		}
	}
	require.NotZero(t, failed, "no rule sees that 0x%X changed", at)
	patches, err := broken.Seal()
	require.NoError(t, err)
	var sealed []string
	for _, p := range patches {
		sealed = append(sealed, p.Rule)
	}
	require.Equal(t, rules, sealed)
	again, err := broken.Apply(patches)
	require.NoError(t, err)
	for _, r := range again.Check() {
		require.Equal(t, evidence.Pass, r.Verdict, r.Reason)
	}
}

func TestOptionROM(t *testing.T) {
	for _, c := range []struct{ mapFile, file, sha256 string }{
		{"pci-option-rom.toml", "pxe-e1000.rom", "ec8666dc154093a555ccd32b6dae6c93ae6d3ea8fbe5d5504fa034cd651fb8e3"},
		{"pci-option-rom-efi.toml", "efi-e1000.rom", "f034ae9a3fef092f2d55a7a46cfe2c1cc81469ee1166878e6c6ce70d12ebaa74"},
	} {
		t.Run(c.file, func(t *testing.T) {
			b := bind(t, c.mapFile, imagetest.RealFile(t, romDir+c.file, c.sha256))
			r := agree(t, b)["sum of the ROM"]
			assert.Equal(t, []image.Range{{Start: 0, Size: 75264}}, r.Cover) // 147 * 512, read from byte 2
			assert.Equal(t, "0x00", r.Computed)
			assert.Equal(t, "55AA", b.Identity()[0].Value)
			breaks(t, b, 0x100, "sum of the ROM")
		})
	}
}

// tool runs a program of Debian's u-boot-tools in a folder of its own.
func tool(t *testing.T, dir, name string, args ...string) {
	t.Helper()
	cmd := exec.Command(imagetest.Tool(t, name), args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "SOURCE_DATE_EPOCH=1577836800", "TZ=UTC")
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
}

// sameFile ends the test if a tool of another version made another file.
func sameFile(t *testing.T, path, want string) {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	imagetest.Version(t, path, data, want)
}

func TestUBootImage(t *testing.T) {
	rom := imagetest.RealFile(t, romDir+"pxe-e1000.rom", "ec8666dc154093a555ccd32b6dae6c93ae6d3ea8fbe5d5504fa034cd651fb8e3")
	dir := t.TempDir()
	tool(t, dir, "mkimage", "-A", "x86", "-O", "u-boot", "-T", "firmware", "-C", "none",
		"-a", "0x100000", "-e", "0x100000", "-n", "ipxe", "-d", rom, "uimage.bin")
	file := filepath.Join(dir, "uimage.bin")
	sameFile(t, file, "25db21e69763ea13944cd01b8451cbc56a22dc49c67786863db13eddc480b1b7")
	b := bind(t, "uboot-legacy-image.toml", file)
	results := agree(t, b)
	assert.Equal(t, "0x7CE7BB44", results["data CRC"].Computed)
	assert.Equal(t, []image.Range{{Start: 64, Size: 75264}}, results["data CRC"].Cover)
	assert.Equal(t, "0x64723201", results["header CRC"].Computed)
	assert.Equal(t, "27051956", b.Identity()[0].Value)
	assert.Equal(t, "ipxe", b.Identity()[1].Value)
	assert.Equal(t, 1577836800.0, b.Tables()[0].Cells[0].Value)
	// The header covers the data's CRC, so a change of the data needs both, in this order.
	breaks(t, b, 0x1000, "data CRC", "header CRC")
}

func TestUBootEnvironment(t *testing.T) {
	for _, c := range []struct {
		mapFile, computed, sha256 string
		flags                     []string
	}{
		{"uboot-environment.toml", "0x5042C7A3", "ce2b45f4670e104800d92ed32767d122cc571cac5df49072fa06fe72fa505856", nil},
		{"uboot-environment-redundant.toml", "0x48DCEFA9", "2f727d8a10904ed6e1b5b5ac2f5731339642826fe161d5d6cd0ad95b5471bbb4", []string{"-r"}},
	} {
		t.Run(c.mapFile, func(t *testing.T) {
			dir := t.TempDir()
			require.NoError(t, os.WriteFile(filepath.Join(dir, "env.txt"), []byte("bootdelay=3\nbootcmd=run net_boot\nethaddr=02:00:00:00:00:01\n"), 0o600))
			tool(t, dir, "mkenvimage", append(c.flags, "-s", "0x2000", "-o", "env.bin", "env.txt")...)
			file := filepath.Join(dir, "env.bin")
			sameFile(t, file, c.sha256)
			b := bind(t, c.mapFile, file)
			assert.Equal(t, c.computed, agree(t, b)["environment CRC"].Computed)
			breaks(t, b, 0x20, "environment CRC")
		})
	}
}

func TestBootLoaders(t *testing.T) {
	const dir = "arduino-core-avr/usr/share/arduino/hardware/arduino/avr/bootloaders/"
	t.Run("ATmega8", func(t *testing.T) {
		b := bind(t, "arduino-optiboot-atmega8.toml", imagetest.RealFile(t, dir+"optiboot/optiboot_atmega8.hex", ""))
		for _, r := range b.Check() {
			assert.Equal(t, evidence.Pass, r.Verdict, r.Reason)
		}
		require.Len(t, b.Coverage(), 2) // the application area and the gap, which the map allows
		for _, f := range b.Coverage() {
			assert.NotEqual(t, evidence.Fault, f.Severity, f.Message)
		}
		assert.Equal(t, []image.Range{{Start: 0x1FF2, Size: 12}}, b.Coverage()[1].Ranges)
	})
	t.Run("ATmega1280", func(t *testing.T) {
		b := bind(t, "arduino-bootloader-atmega1280.toml", imagetest.RealFile(t, dir+"atmega/ATmegaBOOT_168_atmega1280.hex", ""))
		for _, r := range b.Check() {
			assert.Equal(t, evidence.Pass, r.Verdict, r.Reason)
		}
	})
	t.Run("ATmega328, whose file contradicts itself", func(t *testing.T) {
		m, err := maps.Load("examples/arduino-optiboot-atmega8.toml")
		require.NoError(t, err)
		_, err = maps.Open(imagetest.RealFile(t, dir+"optiboot/optiboot_atmega328.hex", ""), m, image.Options{})
		require.ErrorContains(t, err, "0x7FFE")
	})
}

func TestGzipTrailer(t *testing.T) {
	packed, err := os.ReadFile(imagetest.RealFile(t, "ipxe-qemu/usr/share/doc/ipxe-qemu/changelog.Debian.gz",
		"4515a41a05f83dab50a15405f3b365beb20c906e15e9981d4cce4d1af0f40500"))
	require.NoError(t, err)
	zr, err := gzip.NewReader(bytes.NewReader(packed))
	require.NoError(t, err)
	content, err := io.ReadAll(zr)
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "joined.bin")
	require.NoError(t, os.WriteFile(file, append(packed, content...), 0o600))
	b := bind(t, "gzip-trailer.toml", file)
	r := agree(t, b)["CRC of the content"]
	assert.Equal(t, "0xD2A5EB23", r.Computed)
	assert.Equal(t, []image.Range{{Start: 0x100000, Size: 4904}}, r.Cover)
	breaks(t, b, 0x100010, "CRC of the content")
}
