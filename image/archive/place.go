package archive

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/vin"
)

// maxFolder bounds the name of a vehicle's folder in bytes.
const maxFolder = 60

// checkFolder returns why name cannot be a vehicle's folder.
func checkFolder(name string) error {
	if err := bagit.CheckElement(name); err != nil {
		return fmt.Errorf("folder of the vehicle: %w", err)
	}
	if len(name) > maxFolder {
		return fmt.Errorf("folder of the vehicle: name has %d bytes, more than %d", len(name), maxFolder)
	}
	if strings.HasPrefix(name, ".") {
		return fmt.Errorf("folder of the vehicle: name %q begins with a dot", name)
	}
	return nil
}

// folderFor makes a folder name of a vehicle's name: lower-case letters and
// digits with hyphens between. It returns "" where the name may not be shown
// (it holds a VIN) or nothing of it is left.
func folderFor(vehicle string) string {
	if vin.Within(vehicle) {
		return ""
	}
	var out strings.Builder
	for _, c := range norm.NFC.String(vehicle) {
		switch {
		case unicode.IsLetter(c) || unicode.IsDigit(c) || unicode.Is(unicode.Mn, c) && out.Len() > 0:
			out.WriteRune(unicode.ToLower(c))
		case out.Len() > 0 && !strings.HasSuffix(out.String(), "-"):
			out.WriteByte('-')
		}
	}
	name := out.String()
	for len(name) > maxFolder {
		_, size := utf8.DecodeLastRuneInString(name)
		name = name[:len(name)-size]
	}
	name = norm.NFC.String(strings.TrimRight(name, "-"))
	if checkFolder(name) != nil {
		return ""
	}
	return name
}

// place finds or names the vehicle's folder, tidies up after an interrupted
// writer, and decides number, name and links of the new entry.
func (w *writer) place(add *Addition) error {
	if err := w.tidy(""); err != nil {
		return err
	}
	v, err := w.a.findVehicle(w.ctx, add)
	if err != nil {
		return err
	}
	w.entry = Entry{
		Vehicle: add.Vehicle, VIN: add.VIN, Kind: add.Kind, Number: 1,
		Created: w.a.opts.Now().UTC(), Tool: w.a.opts.Tool,
		ImageFormat: add.ImageFormat, ImageBase: add.ImageBase, ParentSHA256: add.Parent, Controller: add.Controller, Conditions: add.Conditions,
	}
	e := &w.entry
	if v == nil {
		if e.Folder, err = w.newFolder(add); err != nil {
			return err
		}
		if add.Parent != "" {
			return fmt.Errorf("parent %.16s... is no image of vehicle %q, which is not in the archive yet; keep the original first", add.Parent, add.Vehicle)
		}
		w.created = true
		return w.setName()
	}
	e.Folder, e.Vehicle = v.Folder, v.Name
	if e.VIN == "" {
		e.VIN = v.VIN
	}
	if err := w.tidy(v.Folder); err != nil {
		return err
	}
	s, err := readSnapshot(w.a.fsys, v.Folder)
	if err != nil {
		return err
	}
	if err := s.consistent(); err != nil {
		return contradiction(v.Folder, err)
	}
	if add.Parent != "" && !slices.ContainsFunc(v.Entries, func(e Entry) bool { return e.ImageSHA256 == add.Parent }) {
		for _, e := range v.Entries {
			if e.Problem != "" {
				return fmt.Errorf("parent %.16s... is no image of vehicle %s that can be read; entry %s cannot be: %s; run `archive verify`", add.Parent, v.Folder, e.Name, e.Problem)
			}
		}
		return fmt.Errorf("parent %.16s... is no image of vehicle %s; keep the original first", add.Parent, v.Folder)
	}
	w.chain = s.chain
	last := s.chain[len(s.chain)-1]
	e.Number = len(s.chain) + 1
	e.PreviousSHA256 = last.sum
	return w.setName()
}

// setName names the entry's folder and the temporary one.
func (w *writer) setName() error {
	e := &w.entry
	e.Name = e.folderName()
	if _, ok := parseEntryName(e.Name); !ok {
		return fmt.Errorf("the clock of this machine says %s, which no entry can be dated; set it right", e.Created)
	}
	w.setTemp()
	return nil
}

// setTemp names the temporary folder of the entry, beside its place: a new
// vehicle is put into place whole, an entry of one that is there by itself.
func (w *writer) setTemp() {
	e := &w.entry
	if w.created {
		w.temp = filepath.Join(w.a.dir, incomingPrefix+e.Folder)
		w.bag = filepath.Join(w.temp, e.Name)
	} else {
		w.temp = filepath.Join(w.a.dir, e.Folder, incomingPrefix+e.Name)
		w.bag = w.temp
	}
}

// consistent returns how the folders and the chain of a vehicle contradict one
// another.
func (s *snapshot) consistent() error {
	if s.chainErr != nil {
		return s.chainErr
	}
	if len(s.chain) != len(s.entries) {
		return fmt.Errorf("%s lists %d entries, the folder holds %d", chainFile, len(s.chain), len(s.entries))
	}
	for i, l := range s.chain {
		if s.entries[i] != l.entry {
			return fmt.Errorf("%s lists %s as entry %d, the folder holds %s", chainFile, l.entry, i+1, s.entries[i])
		}
	}
	return nil
}

// contradiction is the error for a vehicle to which nothing is added.
func contradiction(folder string, err error) error {
	return fmt.Errorf("vehicle %s: %w; nothing is added to a damaged chain, run `archive verify`", folder, err)
}

// findVehicle returns the vehicle an addition is for, or nil for a new one.
func (a *Archive) findVehicle(ctx context.Context, add *Addition) (*Vehicle, error) {
	v, err := a.Vehicle(ctx, add.Vehicle)
	if errors.Is(err, ErrNotFound) && add.VIN != "" {
		v, err = a.Vehicle(ctx, add.VIN)
	}
	if errors.Is(err, ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if add.Folder != "" && add.Folder != v.Folder {
		return nil, fmt.Errorf("vehicle %q has the folder %q already, not %q", v.Name, v.Folder, add.Folder)
	}
	if add.VIN != "" && v.VIN != "" && add.VIN != v.VIN {
		return nil, fmt.Errorf("vehicle %q has another VIN already; name the vehicle differently", v.Name)
	}
	return v, nil
}

// newFolder names the folder of a new vehicle.
func (w *writer) newFolder(add *Addition) (string, error) {
	entries, err := os.ReadDir(w.a.dir)
	if err != nil {
		return "", fmt.Errorf("read archive: %w", err)
	}
	taken := map[string]bool{bagit.CollisionKey(markerFile): true}
	for _, e := range entries {
		taken[bagit.CollisionKey(e.Name())] = true
	}
	name := add.Folder
	if name == "" {
		name = folderFor(add.Vehicle)
	}
	if name != "" {
		if taken[bagit.CollisionKey(name)] {
			return "", fmt.Errorf("folder %q of the archive is taken by another vehicle or file; name another with --name", name)
		}
		return name, nil
	}
	for i := 1; ; i++ {
		if name = fmt.Sprintf("vehicle-%03d", i); !taken[name] {
			return name, nil
		}
	}
}

// tidy removes what an interrupted writer left in a vehicle's folder, or in the
// archive's own if folder is "". An entry that is on the chain but was never
// renamed into place is taken off the chain first. Where chain and folders
// contradict one another nothing is removed: it may be what is missing.
func (w *writer) tidy(folder string) error {
	dir := filepath.Join(w.a.dir, folder)
	if folder != "" {
		s, err := readSnapshot(w.a.fsys, folder)
		if err != nil {
			return err
		}
		if s.pending == "" {
			if err := s.consistent(); err != nil {
				return contradiction(folder, err)
			}
		} else {
			if err := w.writeChain(folder, s.chain[:len(s.chain)-1]); err != nil {
				return fmt.Errorf("tidy up after an interrupted writer: %w", err)
			}
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("read archive: %w", err)
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), incomingPrefix) {
			if err := w.a.disk.RemoveAll(filepath.Join(dir, e.Name())); err != nil {
				return fmt.Errorf("tidy up after an interrupted writer: %w", err)
			}
			w.added.Removed = append(w.added.Removed, filepath.ToSlash(filepath.Join(folder, e.Name())))
		}
	}
	return nil
}

// writeChain replaces the chain file of a vehicle, whole or not at all.
func (w *writer) writeChain(folder string, chain []link) error {
	d, dir := w.a.disk, filepath.Join(w.a.dir, folder)
	temp := filepath.Join(dir, incomingPrefix+"chain")
	if err := d.RemoveAll(temp); err != nil {
		return err
	}
	if err := writeWhole(d, temp, formatChain(chain)); err != nil {
		return errors.Join(err, d.RemoveAll(temp))
	}
	if err := d.Rename(temp, filepath.Join(dir, chainFile)); err != nil {
		return errors.Join(err, d.RemoveAll(temp))
	}
	return d.SyncDir(dir)
}

// commit puts the built entry in its place.
func (w *writer) commit() error {
	d, e := w.a.disk, &w.entry
	e.TagManifestSHA256 = w.sum
	chain := append(slices.Clone(w.chain), link{entry: e.Name, sum: w.sum})
	place := filepath.Join(w.a.dir, e.Folder)
	if w.created {
		if err := writeWhole(d, filepath.Join(w.temp, chainFile), formatChain(chain)); err != nil {
			return w.giveUp(err)
		}
		if err := d.SyncDir(w.temp); err != nil {
			return w.giveUp(err)
		}
	} else {
		place = filepath.Join(place, e.Name)
		// The chain may not name what a power cut could still lose.
		if err := d.SyncDir(filepath.Dir(w.temp)); err != nil {
			return w.giveUp(err)
		}
		if err := w.writeChain(e.Folder, chain); err != nil {
			return w.rollBack(err)
		}
	}
	// The name was free under the lock; a file put there since must not be
	// renamed over.
	if _, err := os.Lstat(place); err == nil {
		return w.rollBack(fmt.Errorf("%s appeared while the entry was written", place))
	}
	if err := d.Rename(w.temp, place); err != nil {
		_, gone := os.Lstat(w.temp)
		if _, placed := os.Lstat(place); placed == nil && errors.Is(gone, fs.ErrNotExist) {
			return fmt.Errorf("entry %s is in its place, though the rename reported an error; run `archive verify`: %w", e.Ref(), err)
		}
		return w.rollBack(err)
	}
	if err := d.SyncDir(filepath.Dir(place)); err != nil {
		return fmt.Errorf("entry %s is in its place, but may not survive a power cut: %w", e.Ref(), err)
	}
	return nil
}

// rollBack takes the entry off the chain and removes its temporary folder. If
// the chain cannot be written the folder stays: with it the next writer can
// tell an interrupted entry from a missing one.
func (w *writer) rollBack(cause error) error {
	if w.created {
		return w.giveUp(cause)
	}
	chain, err := readChain(subFolder(w.a.fsys, w.entry.Folder))
	if err == nil && len(chain) == len(w.chain) {
		return w.giveUp(cause)
	}
	if err := w.writeChain(w.entry.Folder, w.chain); err != nil {
		return fmt.Errorf("%w (and the chain could not be put back: %v; the next writer will)", cause, err)
	}
	return w.giveUp(cause)
}
