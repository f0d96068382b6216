package image_test

import (
	"bytes"
	"debug/elf"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/imagetest"
)

// load is a program header and the bytes it loads.
type load struct {
	kind                 elf.ProgType
	paddr, vaddr, memory uint64 // memory 0: as many as data
	data                 string
}

// elf64 makes an ELF file of program headers only.
func elf64(order binary.ByteOrder, entry uint64, loads ...load) []byte {
	var b bytes.Buffer
	head := elf.Header64{
		Type: uint16(elf.ET_EXEC), Machine: uint16(elf.EM_PPC64), Version: 1, Entry: entry,
		Phoff: 64, Ehsize: 64, Phentsize: 56, Phnum: uint16(len(loads)),
	}
	data := elf.ELFDATA2LSB
	if order == binary.BigEndian {
		data = elf.ELFDATA2MSB
	}
	copy(head.Ident[:], append([]byte(elf.ELFMAG), byte(elf.ELFCLASS64), byte(data), 1))
	must(binary.Write(&b, order, head))
	off := 64 + 56*uint64(len(loads))
	for _, l := range loads {
		p := elf.Prog64{Type: uint32(l.kind), Off: off, Vaddr: l.vaddr, Paddr: l.paddr, Filesz: uint64(len(l.data)), Memsz: l.memory}
		if l.memory == 0 {
			p.Memsz = p.Filesz
		}
		must(binary.Write(&b, order, p))
		off += p.Filesz
	}
	for _, l := range loads {
		b.WriteString(l.data)
	}
	return b.Bytes()
}

// elf32 is elf64 for the other class.
func elf32(order binary.ByteOrder, entry uint32, loads ...load) []byte {
	var b bytes.Buffer
	head := elf.Header32{
		Type: uint16(elf.ET_EXEC), Machine: uint16(elf.EM_PPC), Version: 1, Entry: entry,
		Phoff: 52, Ehsize: 52, Phentsize: 32, Phnum: uint16(len(loads)),
	}
	data := elf.ELFDATA2LSB
	if order == binary.BigEndian {
		data = elf.ELFDATA2MSB
	}
	copy(head.Ident[:], append([]byte(elf.ELFMAG), byte(elf.ELFCLASS32), byte(data), 1))
	must(binary.Write(&b, order, head))
	off := 52 + 32*uint32(len(loads))
	for _, l := range loads {
		n := uint32(len(l.data))
		must(binary.Write(&b, order, elf.Prog32{Type: uint32(l.kind), Off: off, Vaddr: uint32(l.vaddr), Paddr: uint32(l.paddr), Filesz: n, Memsz: max(n, uint32(l.memory))}))
		off += n
	}
	for _, l := range loads {
		b.WriteString(l.data)
	}
	return b.Bytes()
}

func must(err error) {
	if err != nil {
		panic(err)
	}
}

func TestELF(t *testing.T) {
	loads := []load{
		{elf.PT_LOAD, 0x8000, 0x20000000, 0, "data that is copied to RAM"},
		{elf.PT_NOTE, 0x8000, 0x8000, 0, "not loaded"},
		{elf.PT_LOAD, 0x100, 0x100, 0x80, "program"},
		{elf.PT_LOAD, 0x9000, 0x9000, 0x1000, ""},
	}
	want := []image.Segment{text(0x100, "program"), text(0x8000, "data that is copied to RAM")}
	files := map[string][]byte{
		"64 little": elf64(binary.LittleEndian, 0x104, loads...),
		"64 big":    elf64(binary.BigEndian, 0x104, loads...),
		"32 little": elf32(binary.LittleEndian, 0x104, loads...),
		"32 big":    elf32(binary.BigEndian, 0x104, loads...),
	}
	for name, file := range files {
		im, err := read(string(file), image.Options{})
		require.NoError(t, err, name)
		require.NoError(t, imagetest.TestImage(im, want), name)
		assert.Equal(t, image.FormatELF, im.Format())
		start, ok := im.StartAddress()
		assert.True(t, ok && start == 0x104)
		require.Len(t, im.Notes(), 3)
		assert.Contains(t, im.Notes()[0].Message, "physical address 0x8000 and runs at virtual address 0x20000000")
		assert.Contains(t, im.Notes()[1].Message, "clears 0x79 bytes")
		assert.Contains(t, im.Notes()[2].Message, "start address 0x104")
	}

	// No physical addresses at all: several segments go by virtual ones, a
	// single one is believed to lie at 0.
	im, err := read(string(elf64(binary.LittleEndian, 0, load{elf.PT_LOAD, 0, 0x400, 0, "abc"}, load{elf.PT_LOAD, 0, 0x500, 0, "def"})), image.Options{})
	require.NoError(t, err)
	require.NoError(t, imagetest.TestImage(im, []image.Segment{text(0x400, "abc"), text(0x500, "def")}))
	_, ok := im.StartAddress()
	assert.False(t, ok, "entry 0 is none")
	im, err = read(string(elf64(binary.LittleEndian, 0, load{elf.PT_LOAD, 0, 0x400, 0, "abc"})), image.Options{})
	require.NoError(t, err)
	require.NoError(t, imagetest.TestImage(im, []image.Segment{text(0, "abc")}))
}

func TestELFMistakes(t *testing.T) {
	whole := elf64(binary.LittleEndian, 0, load{elf.PT_LOAD, 0x100, 0x100, 0, "first"}, load{elf.PT_LOAD, 0x200, 0x200, 0, "second"})
	for n := range whole {
		_, err := read(string(whole[:n]), image.Options{Format: image.FormatELF})
		require.Error(t, err, "cut to %d bytes", n)
		require.ErrorIs(t, err, io.ErrUnexpectedEOF, "cut to %d bytes", n)
	}
	_, err := read(string(whole[:len(whole)-8]), image.Options{})
	var list *image.FormatErrors
	require.True(t, errors.As(err, &list))
	require.Len(t, list.Errors, 2, "both segments are cut: %v", err)
	require.ErrorContains(t, err, "load segment 0 needs 0x5 bytes from offset 0xB0, but the file has 0xB3; it was cut short")
	require.ErrorContains(t, err, "load segment 1 needs 0x6 bytes")

	_, err = read(string(whole[:100]), image.Options{})
	require.ErrorContains(t, err, "the table of program headers needs 0x70 bytes from offset 0x40, but the file has 0x64; it was cut short")
	sections := bytes.Clone(elf32(binary.BigEndian, 0, load{elf.PT_LOAD, 0x100, 0, 0, "abc"}))
	binary.BigEndian.PutUint32(sections[32:], 0x30)                  // e_shoff
	binary.BigEndian.PutUint32(sections[46:], 40<<16|uint32(0xFFF0)) // e_shentsize, e_shnum
	_, err = read(string(sections), image.Options{})
	require.ErrorContains(t, err, "the table of section headers needs 0x27FD80 bytes from offset 0x30")

	huge := bytes.Clone(whole)
	binary.LittleEndian.PutUint64(huge[64+32:], 1<<62) // p_filesz
	_, err = read(string(huge), image.Options{})
	require.ErrorContains(t, err, "load segment 0 needs 0x4000000000000000 bytes")

	_, err = read(string(elf64(binary.LittleEndian, 0, load{elf.PT_NOTE, 0, 0, 0, "x"})), image.Options{})
	require.ErrorContains(t, err, "holds no load segment (its type is ET_EXEC)")
	_, err = read(string(elf64(binary.LittleEndian, 0, load{elf.PT_LOAD, 0x100, 0, 0, "abc"}, load{elf.PT_LOAD, 0x102, 0, 0, "x"})), image.Options{})
	require.ErrorContains(t, err, "overlap at 0x102-0x102")
	_, err = read(string(elf64(binary.LittleEndian, 0, load{elf.PT_LOAD, ^uint64(0), 0, 0, "abc"})), image.Options{})
	require.ErrorContains(t, err, "run past the top")
}

// A program linked by GNU ld with load addresses of its own, flattened by GNU
// objcopy: physical addresses, the same bytes.
func TestLinkedELF(t *testing.T) {
	ld, tool := imagetest.Tool(t, "ld"), imagetest.Tool(t, "objcopy")
	dir := t.TempDir()
	write := func(name string, data []byte) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), data, 0o666))
	}
	write("flash.bin", counting(1000))
	write("ram.bin", counting(333))
	write("script", []byte(`
MEMORY { FLASH : ORIGIN = 0x8000, LENGTH = 64K
         RAM : ORIGIN = 0x20000000, LENGTH = 64K }
SECTIONS { .text : { *flash.o(.data) } > FLASH
           .data : { *ram.o(.data) } > RAM AT > FLASH
           .bss : { . += 64; } > RAM }
ENTRY(_binary_flash_bin_start)
`))
	run := func(name string, args ...string) {
		cmd := exec.Command(name, args...)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	run(ld, "-r", "-b", "binary", "-o", "flash.o", "flash.bin")
	run(ld, "-r", "-b", "binary", "-o", "ram.o", "ram.bin")
	run(ld, "-o", "linked", "-T", "script", "flash.o", "ram.o")
	run(tool, "-O", "ihex", "linked", "linked.hex")
	run(tool, "-O", "binary", "linked", "linked.bin")
	im, err := image.Open(filepath.Join(dir, "linked"), image.Options{})
	require.NoError(t, err)
	defer im.Close()
	theirs, err := image.Open(filepath.Join(dir, "linked.hex"), image.Options{})
	require.NoError(t, err)
	defer theirs.Close()
	var want []image.Segment
	for _, r := range theirs.Segments() {
		data, err := theirs.Bytes(r)
		require.NoError(t, err)
		want = append(want, image.Segment{Start: r.Start, Data: data})
	}
	require.NoError(t, imagetest.TestImage(im, want))
	assert.EqualValues(t, 0x8000, im.Bounds().Start)
	sameBytes(t, filepath.Join(dir, "linked.bin"), written(t, func(b *bytes.Buffer) error { return image.WriteRaw(b, im, image.RawOptions{}) }))
	ours, _ := im.StartAddress()
	entry, _ := theirs.StartAddress()
	assert.Equal(t, entry, ours)
}

// A program of the system, which nobody here made: every byte that objcopy
// takes from its sections is in our image, at the same address. Ours has more:
// load segments also hold the headers before the first section.
func TestSystemELF(t *testing.T) {
	tool := imagetest.Tool(t, "objcopy")
	out := filepath.Join(t.TempDir(), "out.hex")
	if text, err := exec.Command(tool, "-O", "ihex", tool, out).CombinedOutput(); err != nil {
		imagetest.Missing(t, "objcopy does not take itself: %s", text)
	}
	im, err := image.Open(tool, image.Options{})
	require.NoError(t, err)
	defer im.Close()
	theirs, err := image.Open(out, image.Options{})
	require.NoError(t, err)
	defer theirs.Close()
	assert.Greater(t, theirs.Size(), uint64(10000))
	for _, r := range theirs.Segments() {
		if !im.Covers(r) {
			// Sections for thread-local zeroes have addresses but no bytes.
			t.Errorf("objcopy has %v, which we lack in %v", r, im.Segments())
			continue
		}
		err := theirs.Blocks(r, func(addr uint64, block []byte) error {
			ours, err := im.Bytes(image.Range{Start: addr, Size: uint64(len(block))})
			if err == nil && !bytes.Equal(ours, block) {
				err = fmt.Errorf("bytes from 0x%X on differ", addr)
			}
			return err
		})
		require.NoError(t, err)
	}
}
