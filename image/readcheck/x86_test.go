package readcheck

import (
	"debug/elf"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Instructions of every form in each width, after the manual.
func TestDecodeX86(t *testing.T) {
	for _, tc := range []struct {
		mode  x86Mode
		bytes string
		want  x86Instruction
	}{
		{64, "\x90", x86Instruction{size: 1}},
		{64, "\x48\x89\xC3", x86Instruction{size: 3}},
		{64, "\x48\xB8\x01\x02\x03\x04\x05\x06\x07\x08", x86Instruction{size: 10}},                             // MOV RAX, a constant of 64 bits
		{32, "\xB8\x01\x02\x03\x04", x86Instruction{size: 5}},                                                  //
		{16, "\xB8\x01\x02", x86Instruction{size: 3}},                                                          //
		{32, "\x66\xB8\x01\x02", x86Instruction{size: 4}},                                                      //
		{64, "\xE8\x10\x00\x00\x00", x86Instruction{size: 5, kind: refCall, distance: 16}},                     //
		{16, "\xE8\xF0\xFF", x86Instruction{size: 3, kind: refCall, distance: -16}},                            //
		{32, "\x75\xFE", x86Instruction{size: 2, kind: refJump, distance: -2}},                                 //
		{32, "\x0F\x84\x00\x01\x00\x00", x86Instruction{size: 6, kind: refJump, distance: 256}},                //
		{64, "\x48\x8D\x3D\x20\x00\x00\x00", x86Instruction{size: 7, kind: refData, distance: 32}},             // LEA RDI, [RIP+32]
		{32, "\x8D\x3D\x20\x00\x00\x00", x86Instruction{size: 6}},                                              // LEA EDI, [32]: not by distance
		{64, "\x48\x8B\x04\x25\x00\x10\x00\x00", x86Instruction{size: 8}},                                      // a SIB byte without a base
		{64, "\x48\x8B\x44\x24\x08", x86Instruction{size: 5}},                                                  //
		{64, "\xF7\x05\x00\x00\x00\x00\x01\x00\x00\x00", x86Instruction{size: 10}},                             // TEST with a constant
		{64, "\xF7\xD8", x86Instruction{size: 2}},                                                              // NEG
		{16, "\x8B\x46\xFE", x86Instruction{size: 3}},                                                          //
		{16, "\xA1\x34\x12", x86Instruction{size: 3}},                                                          //
		{64, "\xC5\xF8\x77", x86Instruction{size: 3}},                                                          // VZEROUPPER
		{64, "\xC4\xE3\x75\x46\xC2\x31", x86Instruction{size: 6}},                                              // VPERM2I128
		{64, "\x62\xF1\xFD\x48\x6F\x07", x86Instruction{size: 6}},                                              // VMOVDQA64
		{64, "\x66\x0F\x3A\x0F\xC1\x04", x86Instruction{size: 6}},                                              // PALIGNR
		{64, "\xE8\x10\x00\x00", x86Instruction{}},                                                             // cut off
		{64, "\x66\x66\x66\x66\x66\x66\x66\x66\x66\x66\x66\x66\x66\x66\x66\x66\x66\x66\x66", x86Instruction{}}, // too long
		{64, "", x86Instruction{}},
	} {
		assert.Equal(t, tc.want, decodeX86([]byte(tc.bytes), tc.mode), "%d bits: % X", tc.mode, tc.bytes)
	}
}

// This very program is code of 64 bits. A disassembler reads it the same way.
func TestDecodeX86AgreesWithObjdump(t *testing.T) {
	if runtime.GOOS != "linux" || runtime.GOARCH != "amd64" {
		t.Skip("the test program is no ELF file of x86-64")
	}
	objdump, err := exec.LookPath("objdump")
	if err != nil {
		if os.Getenv("CALPROOF_REQUIRE_TOOLS") == "1" {
			t.Fatal("objdump is missing")
		}
		t.Skip("objdump is missing")
	}
	self, err := os.Executable()
	require.NoError(t, err)
	file, err := elf.Open(self)
	require.NoError(t, err)
	defer file.Close()
	section := file.Section(".text")
	code, err := section.Data()
	require.NoError(t, err)
	const size = 256 << 10
	code = code[:min(size, len(code))]
	out, err := exec.Command(objdump, "-d", "-w", "--no-show-raw-insn", "-j", ".text", fmt.Sprintf("--stop-address=%d", section.Addr+uint64(len(code))), self).Output()
	require.NoError(t, err)
	var at []int
	wrong := map[int]bool{}
	for line := range strings.Lines(string(out)) {
		place, text, ok := strings.Cut(strings.TrimSpace(line), ":\t")
		if n, err := strconv.ParseUint(place, 16, 64); ok && err == nil {
			at = append(at, int(n-section.Addr))
			wrong[at[len(at)-1]] = strings.Contains(text, "(bad)")
		}
	}
	require.Greater(t, len(at), 10_000)
	for i, from := range at[:len(at)-1] {
		if !wrong[from] && from+mostX86 <= len(code) { // objdump shows the bytes of one that is cut off
			require.Equal(t, at[i+1]-from, decodeX86(code[from:], 64).size, "at %#x: % X", from, code[from:min(from+mostX86, len(code))])
		}
	}
}
