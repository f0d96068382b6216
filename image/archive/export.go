package archive

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
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
