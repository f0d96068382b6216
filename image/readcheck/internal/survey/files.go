package main

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
)

const (
	minFile = 4 << 10
	maxFile = 16 << 20
)

// file is one real binary.
type file struct {
	name string // package and path
	path string
	kind string
	size int
}

// read returns the bytes of f. They are not kept: all files together are large.
func (f file) read() ([]byte, error) { return os.ReadFile(f.path) }

// collect downloads what is missing, unpacks it into a folder of its own in
// work, and finds every binary file. Files with equal content count once; seen
// holds the digests of those that count already.
func collect(work, folder string, packages []string, seen map[[32]byte]bool) ([]file, error) {
	var files []file
	for _, p := range packages {
		dir := filepath.Join(work, folder, p)
		if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
			if err := fetch(filepath.Join(work, "debs"), dir, p); err != nil {
				return nil, err
			}
		}
		err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || !d.Type().IsRegular() {
				return err
			}
			info, err := d.Info()
			if err != nil || info.Size() < minFile || info.Size() > maxFile {
				return err
			}
			data, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			sum := sha256.Sum256(data)
			if isPlainText(data) || seen[sum] {
				return nil
			}
			seen[sum] = true
			rel, err := filepath.Rel(filepath.Join(work, folder), path)
			if err != nil {
				return err
			}
			files = append(files, file{filepath.ToSlash(rel), path, kindOf(path, data), len(data)})
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	if len(files) == 0 {
		return nil, errors.New("no binary files found")
	}
	sort.Slice(files, func(i, j int) bool { return files[i].name < files[j].name })
	return files, nil
}

// fetch downloads the named package into debs and unpacks it into dir, which
// is there afterwards only if all of it was unpacked.
func fetch(debs, dir, name string) error {
	for _, d := range []string{debs, filepath.Dir(dir)} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			return err
		}
	}
	get := exec.Command("apt-get", "download", "-qq", name)
	get.Dir = debs
	if out, err := get.CombinedOutput(); err != nil {
		return fmt.Errorf("apt-get download %s: %w\n%s", name, err, out)
	}
	found, err := filepath.Glob(filepath.Join(debs, name+"_*.deb"))
	if err != nil || len(found) == 0 {
		return fmt.Errorf("package %s was not downloaded to %s", name, debs)
	}
	part := dir + ".part"
	if err := os.RemoveAll(part); err != nil {
		return err
	}
	if out, err := exec.Command("dpkg-deb", "-x", found[len(found)-1], part).CombinedOutput(); err != nil {
		return fmt.Errorf("dpkg-deb -x %s: %w\n%s", found[len(found)-1], err, out)
	}
	return os.Rename(part, dir)
}

// isPlainText reports whether data is text in ASCII, Latin or UTF-8, perhaps
// with some control characters: no memory reads like that, and readcheck says so.
func isPlainText(data []byte) bool {
	odd := 0
	for _, b := range data {
		if b < 0x20 && b != '\n' && b != '\r' && b != '\t' && b != '\f' {
			odd++
		}
	}
	return odd < len(data)/20 // as readcheck has it
}

func kindOf(path string, data []byte) string {
	magic := func(m string) bool { return bytes.HasPrefix(data, []byte(m)) }
	switch {
	case magic("\x7FELF"):
		return "ELF"
	case magic("\x1F\x8B"), magic("\xFD7zXZ"), magic("BZh"), magic("\x28\xB5\x2F\xFD"), magic("\x89PNG"), magic("PK\x03\x04"):
		return "compressed"
	case magic("\x00\x01\x00\x00"), magic("OTTO"), magic("true"), magic("ttcf"), magic("wOF"):
		return "font"
	}
	if strings.Contains(filepath.ToSlash(path), "/lib/firmware/") { // what Linux loads into devices, whatever its name
		return "firmware"
	}
	switch strings.ToLower(filepath.Ext(path)) {
	case ".bin", ".rom", ".fd", ".fw", ".img", ".lid", ".efi", ".hex", ".iso", ".lkrn", ".dsk", ".usb", ".pxe":
		return "firmware"
	}
	return kindOther
}

// kindOther is the kind of all files that are no programs, firmware, fonts or
// compressed files.
const kindOther = "other"

// countFiles tells how many files of each kind the lists hold, and how large
// they are. It looks at no content.
func countFiles(files map[string][]file) string {
	type sum struct{ files, bytes int }
	kinds, all := map[string]bool{}, map[string]*sum{}
	add := func(list, kind string, size int) {
		s := all[list+"/"+kind]
		if s == nil {
			s = &sum{}
			all[list+"/"+kind] = s
		}
		s.files, s.bytes = s.files+1, s.bytes+size
	}
	for list, fs := range files {
		for _, f := range fs {
			kinds[f.kind] = true
			add(list, f.kind, f.size)
			add(list, "", f.size)
		}
	}
	var b strings.Builder
	for _, l := range lists {
		total := all[l.name+"/"]
		if total == nil {
			continue
		}
		fmt.Fprintf(&b, "%s: %d packages, %d files, %d MB\n", l.name, len(strings.Fields(*l.packages)), total.files, total.bytes/1e6)
		for _, k := range sortedKeys(kinds) {
			if s := all[l.name+"/"+k]; s != nil {
				fmt.Fprintf(&b, "  %-12s %5d files  %4d MB\n", k, s.files, s.bytes/1e6)
			}
		}
	}
	return b.String()
}
