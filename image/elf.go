package image

import (
	"bytes"
	"debug/elf"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

func sniffELF(head []byte) bool { return bytes.HasPrefix(head, []byte(elf.ELFMAG)) }

// readELF takes the load segments of an ELF file (System V ABI, chapter 5), as
// many bytes of each as the file holds. Nothing is copied.
//
// Bytes lie at their physical address, p_paddr, because that is where they are
// stored in the controller's memory; objcopy does the same. As objcopy does
// too, virtual addresses serve if there are several load segments and all their
// physical addresses are 0, which is how some linkers say that they have none.
// The start address is e_entry, a virtual address; 0 means there is none.
func readELF(r io.ReaderAt, size int64, opts Options) (*Image, error) {
	probs := newProblems(FormatELF, opts)
	if checkTables(r, size, probs); len(probs.list) > 0 {
		return nil, probs.err()
	}
	file, err := elf.NewFile(io.NewSectionReader(r, 0, size))
	if err != nil {
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		probs.add(0, 0, err, "%v", err)
		return nil, probs.err()
	}
	var chunks []chunk
	var notes []Note
	virtual := virtualOnly(file)
	for i, p := range file.Progs {
		if p.Type != elf.PT_LOAD || p.Filesz == 0 {
			continue
		}
		addr := p.Paddr
		if virtual {
			addr = p.Vaddr
		}
		if p.Off > uint64(size) || p.Filesz > uint64(size)-p.Off {
			probs.add(0, 0, io.ErrUnexpectedEOF, "load segment %d needs 0x%X bytes from offset 0x%X, but the file has 0x%X; it was cut short", i, p.Filesz, p.Off, size)
			continue
		}
		if err := checkFits(addr, p.Filesz); err != nil {
			probs.add(0, 0, nil, "load segment %d: %v", i, err)
			continue
		}
		c := chunk{Range{addr, p.Filesz}, r, int64(p.Off)}
		if p.Paddr != p.Vaddr && !virtual {
			notes = append(notes, Note{0, fmt.Sprintf("load segment %d lies at physical address 0x%X and runs at virtual address 0x%X", i, p.Paddr, p.Vaddr), []Range{c.Range}})
		}
		if p.Memsz > p.Filesz {
			notes = append(notes, Note{0, fmt.Sprintf("load segment %d clears 0x%X bytes of memory after it, which are not part of the image", i, p.Memsz-p.Filesz), nil})
		}
		chunks = append(chunks, c)
	}
	if len(chunks) == 0 && len(probs.list) == 0 {
		probs.add(0, 0, nil, "the file holds no load segment (its type is %v)", file.Type)
	}
	if err := probs.err(); err != nil {
		return nil, err
	}
	im, err := newImage(FormatELF, chunks)
	if err != nil {
		probs.add(0, 0, nil, "load segments: %v", err)
		return nil, probs.err()
	}
	if file.Entry != 0 {
		im.start = &start{addr: file.Entry}
		notes = append(notes, Note{Message: fmt.Sprintf("start address 0x%X", file.Entry)})
	}
	im.notes = notes
	return im, nil
}

// checkTables reports tables of headers that do not fit in the file, for which
// debug/elf would first take up to 10 MiB each and then not say what is missing.
// A file header that is damaged otherwise is left to debug/elf.
func checkTables(r io.ReaderAt, size int64, probs *problems) {
	ident := make([]byte, elf.EI_NIDENT)
	if _, err := r.ReadAt(ident, 0); err != nil {
		return
	}
	order := binary.ByteOrder(binary.LittleEndian)
	if elf.Data(ident[elf.EI_DATA]) == elf.ELFDATA2MSB {
		order = binary.BigEndian
	}
	var head elf.Header64
	file := io.NewSectionReader(r, 0, size)
	if elf.Class(ident[elf.EI_CLASS]) == elf.ELFCLASS32 {
		var short elf.Header32
		if binary.Read(file, order, &short) != nil {
			return
		}
		head.Phoff, head.Phentsize, head.Phnum = uint64(short.Phoff), short.Phentsize, short.Phnum
		head.Shoff, head.Shentsize, head.Shnum = uint64(short.Shoff), short.Shentsize, short.Shnum
	} else if binary.Read(file, order, &head) != nil {
		return
	}
	check := func(what string, off uint64, entries, entrySize uint16) {
		need := uint64(entries) * uint64(entrySize)
		if need > 0 && (off > uint64(size) || need > uint64(size)-off) {
			probs.add(0, 0, io.ErrUnexpectedEOF, "the table of %s headers needs 0x%X bytes from offset 0x%X, but the file has 0x%X; it was cut short", what, need, off, size)
		}
	}
	check("program", head.Phoff, head.Phnum, head.Phentsize)
	check("section", head.Shoff, head.Shnum, head.Shentsize)
}

// virtualOnly reports whether file has several load segments whose physical
// addresses are all 0.
func virtualOnly(file *elf.File) bool {
	n := 0
	for _, p := range file.Progs {
		if p.Type != elf.PT_LOAD {
			continue
		}
		if p.Paddr != 0 {
			return false
		}
		n++
	}
	return n > 1
}
