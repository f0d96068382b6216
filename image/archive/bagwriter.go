package archive

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"maps"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"example.com/calproof/image/archive/bagit"
)

// sums are what is computed of a file while it is written.
type sums struct {
	size           int64
	sha256, sha512 []byte
}

// bagWriter writes the files of one bag.
type bagWriter struct {
	ctx     context.Context
	disk    disk
	dir     string
	sums    map[string]sums // by path in the bag
	folders map[string]bool // made in the bag
}

func newBagWriter(ctx context.Context, d disk, dir string) *bagWriter {
	return &bagWriter{ctx: ctx, disk: d, dir: dir, sums: map[string]sums{}, folders: map[string]bool{}}
}

// add writes a payload file into folder, under a safe name that collides with
// none, and returns its path in the bag.
func (b *bagWriter) add(folder string, s *Source, fallback string) (string, error) {
	name := bagit.SafeElement(filepath.Base(s.Name), fallback)
	ext := path.Ext(name)
	for i := 2; b.taken(folder + "/" + name); i++ {
		number := fmt.Sprintf("-%d", i)
		stem := strings.TrimSuffix(bagit.SafeElement(filepath.Base(s.Name), fallback), ext)
		if over := len(stem) + len(number) + len(ext) - bagit.MaxElement; over > 0 {
			stem = strings.ToValidUTF8(stem[:len(stem)-over], "")
		}
		name = stem + number + ext
	}
	file := folder + "/" + name
	r, err := s.Open()
	if err != nil {
		return "", err
	}
	defer r.Close()
	if err := b.write(file, r); err != nil {
		return "", err
	}
	return file, nil
}

func (b *bagWriter) taken(file string) bool {
	key := bagit.CollisionKey(file)
	for have := range b.sums {
		if bagit.CollisionKey(have) == key {
			return true
		}
	}
	return false
}

// write writes one file, makes it durable, reads it back and compares.
func (b *bagWriter) write(file string, r io.Reader) error {
	if err := bagit.CheckPath(file); err != nil {
		return fmt.Errorf("file in the archive: %w", err)
	}
	if err := b.mkdirs(path.Dir(file)); err != nil {
		return err
	}
	place := filepath.Join(b.dir, filepath.FromSlash(file))
	written := newSummer(b.ctx)
	if err := writeSynced(b.disk, place, io.TeeReader(r, written)); err != nil {
		return err
	}
	back, err := b.disk.Open(place)
	if err != nil {
		return err
	}
	defer back.Close()
	read := newSummer(b.ctx)
	if _, err := io.Copy(read, back); err != nil {
		return err
	}
	want, got := written.sums(), read.sums()
	if want.size != got.size || !bytes.Equal(want.sha256, got.sha256) || !bytes.Equal(want.sha512, got.sha512) {
		return fmt.Errorf("%s does not read back as it was written; check the disk", place)
	}
	b.sums[file] = want
	return nil
}

func (b *bagWriter) mkdirs(folder string) error {
	if folder == "." || b.folders[folder] {
		return nil
	}
	if err := b.mkdirs(path.Dir(folder)); err != nil {
		return err
	}
	if err := b.disk.Mkdir(filepath.Join(b.dir, filepath.FromSlash(folder))); err != nil {
		return err
	}
	b.folders[folder] = true
	return nil
}

// oxum returns the Payload-Oxum of the files of a bag: bytes.files.
func oxum(files map[string]sums) string {
	var size int64
	n := 0
	for file, s := range files {
		if strings.HasPrefix(file, "data/") {
			size += s.size
			n++
		}
	}
	return fmt.Sprintf("%d.%d", size, n)
}

// finish writes the tag files and makes every folder durable.
func (b *bagWriter) finish(info []byte) error {
	if err := b.mkdirs("data"); err != nil {
		return err
	}
	err := writeTagFiles(b.sums, info, func(name string, data []byte) error { return b.write(name, bytes.NewReader(data)) })
	if err != nil {
		return err
	}
	return b.sync()
}

// sum returns the hash that stands for the bag.
func (b *bagWriter) sum() string { return hex.EncodeToString(b.sums[tagManifest].sha256) }

// sync makes the names in every folder durable.
func (b *bagWriter) sync() error {
	for _, folder := range slices.Sorted(maps.Keys(b.folders)) { // one order, so that a fault can be repeated
		if err := b.disk.SyncDir(filepath.Join(b.dir, filepath.FromSlash(folder))); err != nil {
			return err
		}
	}
	return b.disk.SyncDir(b.dir)
}

// writeTagFiles writes the tag files of a bag through put, which must add the
// sums of each to files: bagit.txt and bag-info.txt, the payload manifests, and
// the tag manifests over those four.
func writeTagFiles(files map[string]sums, info []byte, put func(name string, data []byte) error) error {
	if err := put("bagit.txt", []byte(bagit.Declaration)); err != nil {
		return err
	}
	if err := put("bag-info.txt", info); err != nil {
		return err
	}
	for _, prefix := range []string{"", "tag"} {
		sha256s, sha512s := manifests(files, prefix == "")
		if err := put(prefix+"manifest-sha256.txt", sha256s); err != nil {
			return err
		}
		if err := put(prefix+"manifest-sha512.txt", sha512s); err != nil {
			return err
		}
	}
	return nil
}

// manifests returns the two manifests of the payload, or of the tag files.
func manifests(files map[string]sums, payload bool) (sha256s, sha512s []byte) {
	var short, long []bagit.Line
	for file, s := range files {
		if strings.HasPrefix(file, "data/") == payload {
			short = append(short, bagit.Line{Sum: s.sha256, Path: file})
			long = append(long, bagit.Line{Sum: s.sha512, Path: file})
		}
	}
	return bagit.FormatManifest(short), bagit.FormatManifest(long)
}

// summer computes the sums of what is written to it.
type summer struct {
	ctx  context.Context
	size int64
	h256 hash.Hash
	h512 hash.Hash
}

func newSummer(ctx context.Context) *summer {
	return &summer{ctx: ctx, h256: sha256.New(), h512: sha512.New()}
}

func (s *summer) Write(p []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	s.h256.Write(p)
	s.h512.Write(p)
	s.size += int64(len(p))
	return len(p), nil
}

func (s *summer) sums() sums {
	return sums{size: s.size, sha256: s.h256.Sum(nil), sha512: s.h512.Sum(nil)}
}
