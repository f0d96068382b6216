package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/imagetest"
)

// These tests hold the commands against independent programs, on input that
// nobody here made.

// calproof runs a command line and returns exit code and standard output.
func calproof(t *testing.T, args ...string) (int, string) {
	t.Helper()
	var out, messages bytes.Buffer
	code := run(args, Streams{In: strings.NewReader(""), Out: &out, Err: &messages})
	require.NotEqual(t, exitCouldNotRun, code, "calproof %s\n%s", strings.Join(args, " "), messages.String())
	return code, out.String()
}

// outside runs another program and returns its standard output.
func outside(t *testing.T, program string, args ...string) string {
	t.Helper()
	out, err := exec.Command(program, args...).Output()
	if exit, ok := err.(*exec.ExitError); ok && exit.ExitCode() == 1 && filepath.Base(program) == "cmp" {
		err = nil // the files differ
	}
	require.NoError(t, err, program)
	return string(out)
}

// TestDebianELF takes what objcopy makes of a program that Debian built:
// objcopy itself.
func TestDebianELF(t *testing.T) {
	objcopy := imagetest.Tool(t, "objcopy")
	sha256sum := imagetest.Tool(t, "sha256sum")
	cmp := imagetest.Tool(t, "cmp")
	python := imagetest.Python(t, "crcmod")
	in := func(name string) string { return filepath.Join(t.TempDir(), name) }

	hex, srec, flat := in("elf.hex"), in("elf.srec"), in("elf.bin")
	outside(t, objcopy, "-O", "ihex", objcopy, hex)
	outside(t, objcopy, "-O", "srec", objcopy, srec)
	outside(t, objcopy, "-I", "ihex", "-O", "binary", "--gap-fill", "0xFF", hex, flat)

	code, _ := calproof(t, "diff", hex, srec)
	assert.Equal(t, exitPass, code, "the two formats hold the same")

	ours := in("ours.bin")
	calproof(t, "convert", hex, ours, "--fill", "0xFF")
	assert.Empty(t, outside(t, cmp, ours, flat), "convert and objcopy flatten alike")

	back := in("ours.srec")
	calproof(t, "convert", hex, back)
	again := in("again.bin")
	outside(t, objcopy, "-I", "srec", "-O", "binary", "--gap-fill", "0xFF", back, again)
	assert.Empty(t, outside(t, cmp, again, flat), "objcopy reads what convert writes")

	_, sum := calproof(t, "sum", ours, "--algorithm", "SHA-256")
	digest, _, _ := strings.Cut(outside(t, sha256sum, "-b", flat), " ")
	assert.Equal(t, "0x"+strings.ToUpper(digest), strings.Fields(sum)[0], "SHA-256 by sha256sum")
	_, sum = calproof(t, "sum", ours, "--algorithm", "posix-cksum")
	value, err := strconv.ParseUint(strings.Fields(sum)[0], 0, 32)
	require.NoError(t, err)
	posix, _, _ := strings.Cut(outside(t, imagetest.Tool(t, "cksum"), flat), " ")
	assert.Equal(t, posix, strconv.FormatUint(value, 10), "POSIX cksum by coreutils")
	const script = `import sys, zlib, crcmod.predefined
d = open(sys.argv[1], "rb").read()
print("0x%08X 0x%04X 0x%016X" % (zlib.crc32(d), crcmod.predefined.mkCrcFun("x-25")(d), crcmod.predefined.mkCrcFun("crc-64-we")(d)))`
	want := strings.Fields(outside(t, python, "-c", script, flat))
	for i, algorithm := range []string{"CRC-32/ISO-HDLC", "CRC-16/IBM-SDLC", "CRC-64/WE"} {
		_, got := calproof(t, "sum", ours, "--algorithm", algorithm)
		assert.Equal(t, want[i], strings.Fields(got)[0], "%s by zlib and crcmod", algorithm)
	}

	data, err := os.ReadFile(flat)
	require.NoError(t, err)
	for i := 7; i < len(data); i += len(data) / 50 {
		data[i] ^= 0x5A
	}
	changed := in("changed.bin")
	require.NoError(t, os.WriteFile(changed, data, 0o666))
	code, text := calproof(t, "diff", flat, changed, "--json")
	assert.Equal(t, exitFail, code)
	var doc struct {
		Data struct {
			Bytes   int `json:"bytes_changed"`
			Changes []struct {
				Range struct{ Start, Size int }
			}
		}
	}
	require.NoError(t, json.Unmarshal([]byte(text), &doc))
	lines := strings.Split(strings.TrimSpace(outside(t, cmp, "-l", flat, changed)), "\n")
	assert.Equal(t, len(lines), doc.Data.Bytes, "bytes that differ, by cmp -l")
	require.Len(t, doc.Data.Changes, len(lines), "no two changed bytes lie side by side")
	for i, c := range doc.Data.Changes {
		assert.Equal(t, strings.Fields(lines[i])[0], fmt.Sprint(c.Range.Start+1), "cmp counts from 1")
	}
}

// TestRealFiles verifies files of Debian packages, and what U-Boot's tools
// make of them, against the maps in maps/examples. Expected values: those the
// tools stored, which a separate script recomputed.
func TestRealFiles(t *testing.T) {
	rom := imagetest.RealFile(t, "ipxe-qemu/usr/lib/ipxe/qemu/pxe-e1000.rom", "ec8666dc154093a555ccd32b6dae6c93ae6d3ea8fbe5d5504fa034cd651fb8e3")
	efi := imagetest.RealFile(t, "ipxe-qemu/usr/lib/ipxe/qemu/efi-e1000.rom", "f034ae9a3fef092f2d55a7a46cfe2c1cc81469ee1166878e6c6ce70d12ebaa74")
	mkimage, mkenvimage := imagetest.Tool(t, "mkimage"), imagetest.Tool(t, "mkenvimage")
	dir := t.TempDir()
	uimage, env, redundant := filepath.Join(dir, "uimage.bin"), filepath.Join(dir, "env.bin"), filepath.Join(dir, "env-redundant.bin")
	t.Setenv("SOURCE_DATE_EPOCH", "1577836800")
	outside(t, mkimage, "-A", "x86", "-O", "u-boot", "-T", "firmware", "-C", "none", "-a", "0x100000", "-e", "0x100000", "-n", "ipxe", "-d", rom, uimage)
	text := filepath.Join(dir, "env.txt")
	require.NoError(t, os.WriteFile(text, []byte("bootdelay=3\nbootcmd=run net_boot\nethaddr=02:00:00:00:00:01\n"), 0o666))
	outside(t, mkenvimage, "-s", "0x2000", "-o", env, text)
	outside(t, mkenvimage, "-r", "-s", "0x2000", "-o", redundant, text)

	for file, want := range map[string]struct {
		mapFile string
		values  []string
	}{
		rom:       {"pci-option-rom", []string{"0x00"}},
		efi:       {"pci-option-rom-efi", []string{"0x00"}},
		uimage:    {"uboot-legacy-image", []string{"0x7CE7BB44", "0x64723201"}},
		env:       {"uboot-environment", []string{"0x5042C7A3"}},
		redundant: {"uboot-environment-redundant", []string{"0x48DCEFA9"}},
	} {
		m := filepath.Join(root, "maps", "examples", want.mapFile+".toml")
		assert.Equal(t, want.values, agreeing(t, file, m), want.mapFile)

		data, err := os.ReadFile(file)
		require.NoError(t, err)
		data[len(data)/4] ^= 1
		broken := filepath.Join(dir, "broken.bin")
		require.NoError(t, os.WriteFile(broken, data, 0o666))
		code, _ := calproof(t, "verify", broken, "--map", m)
		assert.Equal(t, exitFail, code, "%s with one bit flipped", want.mapFile)
	}
}

// agreeing verifies an image and returns what its rules computed, all of which
// must agree. The verdict may be unproven: these are files, not reads.
func agreeing(t *testing.T, file, m string) (computed []string) {
	code, text := calproof(t, "verify", file, "--map", m, "--json")
	assert.NotEqual(t, exitFail, code, file)
	var doc struct {
		Data struct {
			Checksums []struct{ Verdict, Computed string }
		}
	}
	require.NoError(t, json.Unmarshal([]byte(text), &doc))
	for _, c := range doc.Data.Checksums {
		assert.Equal(t, "pass", c.Verdict, file)
		computed = append(computed, c.Computed)
	}
	return computed
}

// TestRealHex reads boot loaders of another project, one of which contradicts
// itself.
func TestRealHex(t *testing.T) {
	const folder = "arduino-core-avr/usr/share/arduino/hardware/arduino/avr/bootloaders/"
	objcopy := imagetest.Tool(t, "objcopy")
	mega8 := imagetest.RealFile(t, folder+"optiboot/optiboot_atmega8.hex", "")
	_, text := calproof(t, "inspect", mega8, "--json")
	assert.Contains(t, strings.Join(strings.Fields(text), ""), `"segments":[{"start":7680,"size":498},{"start":8190,"size":2}]`)
	dir := t.TempDir()
	theirs, ours := filepath.Join(dir, "theirs.bin"), filepath.Join(dir, "ours.bin")
	outside(t, objcopy, "-I", "ihex", "-O", "binary", "--gap-fill", "0xFF", mega8, theirs)
	calproof(t, "convert", mega8, ours)
	code, _ := calproof(t, "diff", theirs, ours)
	assert.Equal(t, exitPass, code, "flattened alike")

	twice := imagetest.RealFile(t, folder+"optiboot/optiboot_atmega328.hex", "")
	var out, messages bytes.Buffer
	assert.Equal(t, exitCouldNotRun, run([]string{"inspect", twice}, Streams{Out: &out, Err: &messages}))
	assert.Empty(t, out.String())
	assert.Contains(t, messages.String(), "0x7FFE", "where two records disagree")
}
