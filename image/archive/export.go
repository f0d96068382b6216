package archive

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
)

// labelFolder names the vehicle's folder in the bag-info.txt of an export.
const labelFolder = "Vehicle-Folder"

// Export writes a vehicle as one zip file: a bag whose payload is the
// vehicle's folder, a bag of bags. Files are stored, not compressed, so the
// images can be found in it even with a damaged directory, and its size says
// what it unpacks to. The vehicle must verify; equal vehicles give equal files.
func (r *Reader) Export(ctx context.Context, vehicle string, w io.Writer) error {
	v, err := r.Vehicle(ctx, vehicle)
	if err != nil {
		return err
	}
	check, err := r.Verify(ctx, VerifyOptions{Vehicle: v.Folder, BothHashes: true})
	if err != nil {
		return err
	}
	if err := faults(check); err != nil {
		return fmt.Errorf("vehicle %s is damaged and is not exported: %w", v.Folder, err)
	}
	files := []string{chainFile}
	for _, e := range v.Entries {
		err := fs.WalkDir(r.fsys, e.Folder+"/"+e.Name, func(name string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				files = append(files, strings.TrimPrefix(name, e.Folder+"/"))
			}
			return err
		})
		if err != nil {
			return err
		}
	}
	z := &zipBag{ctx: ctx, zip: zip.NewWriter(w), top: v.Folder, vehicle: v, sums: map[string]sums{}}
	for _, f := range files {
		if err := z.copy("data/"+f, r.fsys, v.Folder+"/"+f); err != nil {
			return err
		}
	}
	if err := z.finish(); err != nil {
		return err
	}
	return z.zip.Close()
}

// zipBag writes a bag into a zip file. The tag files come last, since they hold
// the hashes of what went before.
type zipBag struct {
	ctx     context.Context
	zip     *zip.Writer
	top     string // the one folder at the top of the zip
	vehicle *Vehicle
	sums    map[string]sums
}

func (z *zipBag) copy(name string, fsys fs.FS, from string) error {
	f, err := fsys.Open(from)
	if err != nil {
		return err
	}
	defer f.Close()
	return z.write(name, f)
}

func (z *zipBag) write(name string, r io.Reader) error {
	// No time in the header: two exports of one vehicle are equal files.
	w, err := z.zip.CreateHeader(&zip.FileHeader{Name: z.top + "/" + name, Method: zip.Store})
	if err != nil {
		return err
	}
	s := newSummer(z.ctx)
	if _, err := io.Copy(io.MultiWriter(w, s), r); err != nil {
		return err
	}
	z.sums[name] = s.sums()
	return nil
}

func (z *zipBag) finish() error {
	v := z.vehicle
	last := v.Entries[len(v.Entries)-1]
	fields := bagit.Fields{{Label: labelVehicle, Value: v.Name}}
	if v.VIN != "" {
		fields = append(fields, bagit.Field{Label: labelVIN, Value: v.VIN})
	}
	fields = append(fields,
		bagit.Field{Label: labelFolder, Value: v.Folder},
		bagit.Field{Label: labelDate, Value: last.Created.UTC().Format("2006-01-02")},
		bagit.Field{Label: labelOxum, Value: oxum(z.sums)},
		bagit.Field{Label: labelAgent, Value: last.Tool},
	)
	info, err := bagit.FormatInfo(fields)
	if err != nil {
		return err
	}
	return writeTagFiles(z.sums, info, func(name string, data []byte) error { return z.write(name, bytes.NewReader(data)) })
}

// faults returns the faults of a verification as one error.
func faults(v *Verification) error {
	var errs []error
	for _, f := range v.Findings {
		if f.Severity == evidence.Fault && len(errs) < 10 {
			errs = append(errs, errors.New(f.Message))
		}
	}
	return errors.Join(errs...)
}

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
	unlock, err := a.lock(ctx)
	if err != nil {
		return nil, err
	}
	defer unlock()
	return a.takeIn(ctx, in, v)
}

// takeIn adds the entries of v that the archive lacks, under the lock.
func (a *Archive) takeIn(ctx context.Context, in *Reader, v *Vehicle) (*Imported, error) {
	w := &writer{a: a, ctx: ctx, added: &Added{}}
	if err := w.tidy(""); err != nil {
		return nil, err
	}
	out := &Imported{Folder: v.Folder, Added: []string{}}
	folders, others, err := a.folders()
	if err != nil {
		return nil, err
	}
	if !slices.Contains(folders, v.Folder) {
		for _, have := range append(folders, others...) {
			if bagit.CollisionKey(have) == bagit.CollisionKey(v.Folder) {
				return nil, fmt.Errorf("%w: folder %q of the archive is taken by %q", ErrRefused, v.Folder, have)
			}
		}
		w.created = true
	} else {
		if err := w.tidy(v.Folder); err != nil {
			return nil, err
		}
		s, err := readSnapshot(a.fsys, v.Folder)
		if err != nil {
			return nil, err
		}
		if err := s.consistent(); err != nil {
			return nil, fmt.Errorf("vehicle %s: %w; run `archive verify`", v.Folder, err)
		}
		for i, l := range s.chain {
			if i < len(v.Entries) && (l.sum != v.Entries[i].TagManifestSHA256 || l.entry != v.Entries[i].Name) {
				return nil, fmt.Errorf("%w: the archive has another vehicle or another history under %q: entry %d is %s here and %s there", ErrRefused, v.Folder, i+1, l.entry, v.Entries[i].Name)
			}
		}
		w.chain, out.Had = s.chain, min(len(s.chain), len(v.Entries))
	}
	for i := range v.Entries[out.Had:] {
		e := v.Entries[out.Had+i]
		if err := w.copyEntry(in, e); err != nil {
			return out, err
		}
		out.Added = append(out.Added, e.Name)
	}
	return out, nil
}

// copyEntry copies an entry of another archive that verified, hashes it again
// on the way and commits it.
func (w *writer) copyEntry(in *Reader, e Entry) error {
	w.entry = e
	w.setTemp()
	if err := w.copyFiles(in, e); err != nil {
		return w.giveUp(err)
	}
	if err := w.commit(); err != nil {
		return err
	}
	w.chain = append(w.chain, link{entry: e.Name, sum: e.TagManifestSHA256})
	w.created = false
	return nil
}

func (w *writer) copyFiles(in *Reader, e Entry) error {
	if err := w.makeTemp(); err != nil {
		return err
	}
	b := newBagWriter(w.ctx, w.a.disk, w.bag)
	sub := subFolder(in.fsys, e.Folder+"/"+e.Name)
	report, err := bagit.Validate(w.ctx, sub, bagit.Options{})
	if err != nil {
		return err
	}
	if !report.Accepted() {
		return fmt.Errorf("%s changed while it was copied: %v", e.Ref(), report.Problems[0])
	}
	for _, file := range slices.Sorted(maps.Keys(report.Files)) {
		f, err := sub.Open(file)
		if err != nil {
			return err
		}
		err = b.write(file, f)
		f.Close()
		if err != nil {
			return err
		}
		if want := report.Files[file].Sums["sha256"]; want != nil && !bytes.Equal(want, b.sums[file].sha256) {
			return fmt.Errorf("%s/%s changed while it was copied", e.Ref(), file)
		}
	}
	if w.sum = b.sum(); w.sum != e.TagManifestSHA256 {
		return fmt.Errorf("%s changed while it was copied", e.Ref())
	}
	return b.sync()
}

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
