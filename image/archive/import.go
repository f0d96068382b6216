package archive

import (
	"archive/zip"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
)

// ErrRefused is wrapped by the errors of Import about what it was given.
var ErrRefused = errors.New("import refused")

// Imported tells what Import did.
type Imported struct {
	Folder string   `json:"folder"` // of the vehicle
	Added  []string `json:"added"`  // entries that were not there
	Had    int      `json:"had"`    // entries that were
}

// CheckExport checks a file that [Reader.Export] wrote: names, sizes, every
// hash, the chain. It returns the vehicle. size is the length of r in bytes.
func CheckExport(ctx context.Context, r io.ReaderAt, size int64) (*Vehicle, error) {
	_, v, err := openExport(ctx, r, size)
	return v, err
}

func openExport(ctx context.Context, r io.ReaderAt, size int64) (*Reader, *Vehicle, error) {
	refuse := func(err error) (*Reader, *Vehicle, error) { return nil, nil, fmt.Errorf("%w: %w", ErrRefused, err) }
	bag, err := openZip(r, size)
	if err != nil {
		return refuse(err)
	}
	report, err := bagit.Validate(ctx, bag, bagit.Options{MaxFiles: maxZipFiles})
	if err != nil {
		return refuse(err)
	}
	if !report.Accepted() {
		return refuse(fmt.Errorf("it is no intact bag: %v", report.Problems[0]))
	}
	folder := report.Info.Get(labelFolder)
	if err := checkFolder(folder); err != nil {
		return refuse(err)
	}
	in := &Reader{fsys: renamed{bag, folder}}
	check, err := in.Verify(ctx, VerifyOptions{Vehicle: folder, BothHashes: true})
	if err != nil {
		return refuse(err)
	}
	if check.Verdict != evidence.Pass {
		return refuse(errors.New(check.Findings[0].Message))
	}
	v, err := in.vehicle(folder)
	if err != nil {
		return refuse(err)
	}
	return in, v, nil
}

// Import takes in a vehicle that [Reader.Export] wrote. Nothing is written
// before all of it has been checked by [CheckExport]. A vehicle that is there
// already gets the entries it lacks; if the two histories differ nothing is
// added.
func (a *Archive) Import(ctx context.Context, r io.ReaderAt, size int64) (*Imported, error) {
	in, v, err := openExport(ctx, r, size)
	if err != nil {
		return nil, err
	}
	chain, err := readChain(subFolder(in.fsys, v.Folder))
	if err != nil {
		return nil, err
	}
	unlock, err := a.lock(ctx)
	if err != nil {
		return nil, err
	}
	defer unlock()
	return a.takeIn(ctx, in, v.Folder, chain)
}

// takeIn adds the entries on the chain of one vehicle of in that the archive
// lacks, under the lock.
func (a *Archive) takeIn(ctx context.Context, in *Reader, folder string, chain []link) (*Imported, error) {
	w := &writer{a: a, ctx: ctx, added: &Added{}}
	if err := w.tidy(""); err != nil {
		return nil, err
	}
	out := &Imported{Folder: folder, Added: []string{}}
	folders, others, err := a.folders()
	if err != nil {
		return nil, err
	}
	if !slices.Contains(folders, folder) {
		for _, have := range append(folders, others...) {
			if bagit.CollisionKey(have) == bagit.CollisionKey(folder) {
				return nil, fmt.Errorf("%w: folder %q of the archive is taken by %q", ErrRefused, folder, have)
			}
		}
		w.created = true
	} else {
		if err := w.tidy(folder); err != nil {
			return nil, err
		}
		s, err := readSnapshot(a.fsys, folder)
		if err != nil {
			return nil, err
		}
		if err := s.consistent(); err != nil {
			return nil, contradiction(folder, err)
		}
		if at := diverge(s.chain, chain); at >= 0 {
			return nil, fmt.Errorf("%w: the archive has another vehicle or another history under %q: entry %d is %s here and %s there", ErrRefused, folder, at+1, s.chain[at].entry, chain[at].entry)
		}
		w.chain, out.Had = s.chain, min(len(s.chain), len(chain))
	}
	for _, l := range chain[out.Had:] {
		if err := w.copyEntry(in, folder, l); err != nil {
			return out, err
		}
		out.Added = append(out.Added, l.entry)
	}
	return out, nil
}

// diverge returns the index of the first entry in which two chains differ, or
// -1 if one is the beginning of the other.
func diverge(a, b []link) int {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return i
		}
	}
	return -1
}

// copyEntry copies an entry of another archive, verifies the copy and commits
// it.
func (w *writer) copyEntry(in *Reader, folder string, l link) error {
	w.entry = Entry{Folder: folder, Name: l.entry}
	w.setTemp()
	if err := w.copyFiles(in, l); err != nil {
		return w.giveUp(err)
	}
	if err := w.commit(); err != nil {
		return err
	}
	w.chain = append(w.chain, l)
	w.created = false
	return nil
}

func (w *writer) copyFiles(in *Reader, l link) error {
	if err := w.makeTemp(); err != nil {
		return err
	}
	b := newBagWriter(w.ctx, w.a.disk, w.bag)
	from := subFolder(in.fsys, w.entry.Folder+"/"+l.entry)
	files := 0
	err := fs.WalkDir(from, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		if files++; files > maxEntryFiles || !d.Type().IsRegular() {
			return fmt.Errorf("%w: %s/%s is no file of an entry", ErrRefused, l.entry, name)
		}
		f, err := from.Open(name)
		if err != nil {
			return err
		}
		defer f.Close()
		return b.write(name, f)
	})
	if err != nil {
		return err
	}
	if err := b.sync(); err != nil {
		return err
	}
	// What counts is what now lies on this disk.
	root, err := openLocal(w.bag)
	if err != nil {
		return err
	}
	defer root.Close()
	check := bagVerifier{ctx: w.ctx, fsys: root, folder: w.entry.Folder, name: l.entry, opts: VerifyOptions{BothHashes: true}}
	got, err := check.verify()
	if err != nil {
		return err
	}
	previous := ""
	if len(w.chain) > 0 {
		previous = w.chain[len(w.chain)-1].sum
	}
	switch {
	case got.Verdict != evidence.Pass:
		return fmt.Errorf("%w: %s", ErrRefused, got.findings[0].Message)
	case got.sum != l.sum:
		return fmt.Errorf("%w: %s is not the entry on the chain", ErrRefused, l.entry)
	case got.entry.PreviousSHA256 != previous:
		return fmt.Errorf("%w: %s does not follow the entry before it", ErrRefused, l.entry)
	}
	w.sum = got.sum
	return nil
}

// maxEntryFiles bounds the files of one entry that is copied in.
const maxEntryFiles = 100_000

// renamed shows the payload folder of a bag as the one folder of an archive.
type renamed struct {
	bag    fs.FS
	folder string
}

func (r renamed) Open(name string) (fs.File, error) {
	if rest, ok := strings.CutPrefix(name, r.folder); ok && (rest == "" || rest[0] == '/') {
		return r.bag.Open("data" + rest)
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
}

// ReadDir knows the top, which exists nowhere.
func (r renamed) ReadDir(name string) ([]fs.DirEntry, error) {
	if name != "." {
		return fs.ReadDir(r.bag, path.Join("data", strings.TrimPrefix(name, r.folder)))
	}
	info, err := fs.Stat(r.bag, "data")
	if err != nil {
		return nil, err
	}
	return []fs.DirEntry{named{fs.FileInfoToDirEntry(info), r.folder}}, nil
}

type named struct {
	fs.DirEntry
	name string
}

func (n named) Name() string { return n.name }

// maxZipFiles bounds the files of an import.
const maxZipFiles = 1_000_000

// openZip returns the one folder of a zip file. It takes what Export writes
// and nothing else: stored files with safe, different names, no links, no
// more bytes than the zip file has, so that nothing can unpack to more.
func openZip(r io.ReaderAt, size int64) (fs.FS, error) {
	z, err := zip.NewReader(r, size)
	if err != nil {
		return nil, err
	}
	if len(z.File) == 0 || len(z.File) > maxZipFiles {
		return nil, fmt.Errorf("it holds %d files", len(z.File))
	}
	top, _, _ := strings.Cut(z.File[0].Name, "/")
	if err := bagit.CheckElement(top); err != nil {
		return nil, err
	}
	seen := make(map[string]bool, len(z.File))
	left := uint64(size)
	for _, f := range z.File {
		name, isFolder := strings.CutSuffix(f.Name, "/") // some programs list folders too
		if isFolder && name == top && f.Mode().IsDir() && f.UncompressedSize64 == 0 {
			continue
		}
		inside, ok := strings.CutPrefix(name, top+"/")
		if !ok || !f.Mode().IsRegular() && !(isFolder && f.Mode().IsDir() && f.UncompressedSize64 == 0) {
			return nil, fmt.Errorf("%.200q is no file in its one folder %.100q", f.Name, top)
		}
		if err := bagit.CheckPath(inside); err != nil {
			return nil, err
		}
		key := bagit.CollisionKey(name)
		if seen[key] {
			return nil, fmt.Errorf("%q is there twice, perhaps in another spelling", name)
		}
		seen[key] = true
		if f.Method != zip.Store || f.Flags&1 != 0 {
			return nil, fmt.Errorf("%q is compressed or encrypted; an export stores files as they are", name)
		}
		if f.UncompressedSize64 != f.CompressedSize64 || f.UncompressedSize64 > left {
			return nil, fmt.Errorf("%q claims more bytes than the file has", name)
		}
		left -= f.UncompressedSize64
	}
	return fs.Sub(z, top)
}
