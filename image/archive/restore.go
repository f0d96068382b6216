package archive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"

	"example.com/calproof/image/archive/bagit"
)

// Restore copies the image of e to w and checks its hash on the way. An error
// means that w may hold wrong bytes and must be thrown away.
func (r *Reader) Restore(ctx context.Context, e *Entry, w io.Writer) error {
	if e.ImagePath == "" {
		return fmt.Errorf("entry %s holds no image", e.Ref())
	}
	return r.copyOut(ctx, e, e.ImagePath, e.ImageSHA256, w)
}

// RestoreFile is Restore for any payload file of e, such as e.MapPath.
func (r *Reader) RestoreFile(ctx context.Context, e *Entry, file string, w io.Writer) error {
	lines, err := r.manifest(e)
	if err != nil {
		return err
	}
	for _, l := range lines {
		if l.Path == file {
			return r.copyOut(ctx, e, file, hex.EncodeToString(l.Sum), w)
		}
	}
	return fmt.Errorf("entry %s holds no %s", e.Ref(), file)
}

// manifest returns the paths of the payload files of e and their SHA-256.
func (r *Reader) manifest(e *Entry) ([]bagit.Line, error) {
	data, err := readLimited(r.fsys, path.Join(e.Folder, e.Name, "manifest-sha256.txt"))
	if err != nil {
		return nil, fmt.Errorf("entry %s: %w", e.Ref(), err)
	}
	lines, err := bagit.ParseManifest(data, sha256.Size)
	if err != nil {
		return nil, fmt.Errorf("entry %s: manifest-sha256.txt: %w", e.Ref(), err)
	}
	return lines, nil
}

func (r *Reader) copyOut(ctx context.Context, e *Entry, file, want string, w io.Writer) error {
	if !strings.HasPrefix(file, "data/") || !fs.ValidPath(file) {
		return fmt.Errorf("entry %s: %q is no payload file", e.Ref(), file)
	}
	f, err := r.fsys.Open(path.Join(e.Folder, e.Name, file))
	if err != nil {
		return err
	}
	defer f.Close()
	h := sha256.New()
	buf := make([]byte, 128<<10)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := f.Read(buf)
		h.Write(buf[:n])
		if _, werr := w.Write(buf[:n]); werr != nil {
			return werr
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != want {
		return fmt.Errorf("entry %s: %s has SHA-256 %.16s... where %.16s... was kept; the archive is damaged here, run `archive verify`", e.Ref(), file, got, want)
	}
	return nil
}

// MinHashDigits is how many digits of a hash are enough to name an image.
const MinHashDigits = 8

// Find returns the entries whose image has the SHA-256 sum, or one that begins
// with it: at least [MinHashDigits] lower-case hexadecimal digits.
func (r *Reader) Find(ctx context.Context, sum string) ([]Entry, error) {
	if len(sum) < MinHashDigits {
		return nil, fmt.Errorf("%q is no hash: give %d digits or more", sum, MinHashDigits)
	}
	var out []Entry
	for v, err := range r.Vehicles(ctx) {
		if err != nil {
			return nil, err
		}
		for _, e := range v.Entries {
			if strings.HasPrefix(e.ImageSHA256, sum) {
				out = append(out, e)
			}
		}
	}
	return out, nil
}

// KeptFile is one payload file of an entry.
type KeptFile struct {
	Entry Entry  `json:"entry"`
	Path  string `json:"path"` // in the entry, such as Entry.SecondReadPath
	As    string `json:"as"`   // what it is kept as: "second read", "attached file"
}

// FindFiles is Find for every payload file, the image among them. It reads the
// manifest of each entry. An error about some entries comes with what the
// others hold.
func (r *Reader) FindFiles(ctx context.Context, sum string) ([]KeptFile, error) {
	if len(sum) < MinHashDigits {
		return nil, fmt.Errorf("%q is no hash: give %d digits or more", sum, MinHashDigits)
	}
	var out []KeptFile
	var problems []error
	for v, err := range r.Vehicles(ctx) {
		if err != nil {
			return out, err
		}
		for _, e := range v.Entries {
			lines, err := r.manifest(&e)
			if err != nil {
				problems = append(problems, err)
			}
			for _, l := range lines {
				if strings.HasPrefix(hex.EncodeToString(l.Sum), sum) {
					out = append(out, KeptFile{e, l.Path, e.role(l.Path)})
				}
			}
		}
	}
	return out, errors.Join(problems...)
}

// role is what the payload file at path is kept as.
func (e *Entry) role(path string) string {
	switch path {
	case e.ImagePath:
		return "image"
	case e.SecondReadPath:
		return "second read"
	case e.MapPath:
		return "region map"
	case e.VerdictPath, e.VerdictTextPath:
		return "verdict"
	case e.NotePath:
		return "note"
	}
	return "attached file"
}

// Kept returns e with its files.
func (r *Reader) Kept(e *Entry) Kept {
	return Kept{Entry: *e, FS: subFolder(r.fsys, path.Join(e.Folder, e.Name))}
}
