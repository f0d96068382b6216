package archive

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"path"
	"runtime"
	"slices"
	"strings"
	"sync"

	"example.com/calproof/image/archive/bagit"
)

// Vehicle is a folder of an archive with its entries.
type Vehicle struct {
	Name    string  `json:"vehicle"`
	VIN     string  `json:"vin,omitempty"`
	Folder  string  `json:"folder"`
	Entries []Entry `json:"entries"` // by number
}

// Vehicles yields the vehicles in the order of their folders, one at a time,
// so that memory does not grow with the archive. An entry that cannot be read
// is yielded with its Problem set. A vehicle that cannot be read at all is
// yielded with its Folder and an error; the loop may go on. Without a vehicle,
// the error is the archive's.
func (r *Reader) Vehicles(ctx context.Context) iter.Seq2[*Vehicle, error] {
	return func(yield func(*Vehicle, error) bool) {
		folders, _, err := r.folders()
		if err != nil {
			yield(nil, err)
			return
		}
		for v, err := range r.vehicles(ctx, folders) {
			if err == nil && len(v.Entries) == 0 {
				continue
			}
			if !yield(v, err) {
				return
			}
		}
	}
}

// vehicles is Vehicles for the given folders, those without entries too. Some
// are read ahead, so that several processors have something to do.
func (r *Reader) vehicles(ctx context.Context, folders []string) iter.Seq2[*Vehicle, error] {
	type result struct {
		v   *Vehicle
		err error
	}
	return func(yield func(*Vehicle, error) bool) {
		ahead := min(len(folders), 2*runtime.GOMAXPROCS(0))
		results := make([]chan result, len(folders))
		read := func(i int) {
			if i >= len(folders) {
				return
			}
			c := make(chan result, 1) // a reader whose loop has ended must not wait
			results[i] = c
			go func() {
				v, err := r.vehicle(folders[i])
				if err != nil {
					v = &Vehicle{Folder: folders[i]}
				}
				c <- result{v, err}
			}()
		}
		for i := range ahead {
			read(i)
		}
		for i := range folders {
			if err := ctx.Err(); err != nil {
				yield(nil, err)
				return
			}
			got := <-results[i]
			results[i] = nil
			read(i + ahead)
			if !yield(got.v, got.err) {
				return
			}
		}
	}
}

// folders returns the names of the folders that may be vehicles, sorted, and
// of everything else in the archive's folder.
func (r *Reader) folders() (vehicles, others []string, err error) {
	entries, err := fs.ReadDir(r.fsys, ".")
	if err != nil {
		return nil, nil, fmt.Errorf("read archive: %w", err)
	}
	for _, e := range entries {
		if e.IsDir() && !strings.HasPrefix(e.Name(), ".") {
			vehicles = append(vehicles, e.Name())
		} else {
			others = append(others, e.Name())
		}
	}
	return vehicles, others, nil
}

// vehicle reads one vehicle.
func (r *Reader) vehicle(folder string) (*Vehicle, error) {
	v, _, err := r.readVehicle(folder)
	return v, err
}

// readVehicle returns a vehicle and what its folder holds: Vehicle.Entries are
// those of the snapshot.
func (r *Reader) readVehicle(folder string) (*Vehicle, *snapshot, error) {
	sub, leave, err := enter(r.fsys, folder)
	if err != nil {
		return nil, nil, fmt.Errorf("read vehicle %s: %w", folder, err)
	}
	defer leave()
	s, err := takeSnapshot(sub, folder)
	if err != nil {
		return nil, nil, err
	}
	v := &Vehicle{Folder: folder, Entries: make([]Entry, 0, len(s.entries))}
	sums := make(map[string]string, len(s.chain))
	for _, l := range s.chain {
		sums[l.entry] = l.sum
	}
	for _, name := range s.entries {
		e, err := readEntry(sub, name)
		if err != nil {
			e = Entry{Problem: err.Error()}
			e.Number, _ = parseEntryName(name)
		}
		e.Folder, e.Name, e.TagManifestSHA256 = folder, name, sums[name]
		if v.Name == "" {
			v.Name = e.Vehicle
		}
		if v.VIN == "" {
			v.VIN = e.VIN
		}
		v.Entries = append(v.Entries, e)
	}
	return v, s, nil
}

// texts are buffers for files that are parsed and not kept.
var texts = sync.Pool{New: func() any { return new(bytes.Buffer) }}

// readEntry reads the bag-info.txt of an entry in the vehicle's folder vehicle.
func readEntry(vehicle fs.FS, name string) (Entry, error) {
	data := texts.Get().(*bytes.Buffer)
	defer func() {
		data.Reset()
		texts.Put(data)
	}()
	if err := appendLimited(data, vehicle, name+"/bag-info.txt"); err != nil {
		return Entry{}, err
	}
	fields, err := bagit.ParseInfo(data.Bytes())
	if err != nil {
		return Entry{}, fmt.Errorf("bag-info.txt: %w", err)
	}
	return entryFromInfo(fields)
}

// snapshot is what a vehicle's folder holds at one moment.
type snapshot struct {
	entries []string // names of entries, by number
	others  []string // names of whatever else is there
	chain   []link
	// pending is the name of an entry that the chain lists and that still lies
	// in its temporary folder, whole: a writer is at work or was interrupted.
	pending  string
	chainErr error // why the chain file could not be used
}

// errBusy is no damage.
var errBusy = errors.New("it keeps changing; try again when the writers are done")

// readSnapshot looks at a vehicle's folder.
func readSnapshot(fsys fs.FS, folder string) (*snapshot, error) {
	sub, leave, err := enter(fsys, folder)
	if err != nil {
		return nil, fmt.Errorf("read vehicle %s: %w", folder, err)
	}
	defer leave()
	return takeSnapshot(sub, folder)
}

// takeSnapshot looks at a vehicle's folder, sub, while a writer may be at work. The
// writer puts an entry on the chain before it renames it into place, so the
// folder is listed first: each finished entry it shows is on a chain read
// later. What is on the chain only has been renamed since, or waits in its
// temporary folder, or was taken off again, or is missing: looking again tells,
// and what is missing twice is missing.
func takeSnapshot(sub fs.FS, folder string) (*snapshot, error) {
	var before []string
	for range 20 {
		s, err := listVehicle(sub)
		if err != nil {
			return nil, fmt.Errorf("read vehicle %s: %w", folder, err)
		}
		var missing []string
		for _, l := range s.chain {
			if !slices.Contains(s.entries, l.entry) {
				missing = append(missing, l.entry)
			}
		}
		if len(missing) == 0 {
			return s, nil
		}
		last := s.chain[len(s.chain)-1]
		if len(missing) == 1 && missing[0] == last.entry {
			sum, err := tagManifestSum(sub, incomingPrefix+last.entry)
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				// Not to be taken for missing: the next writer would remove it.
				return nil, fmt.Errorf("read vehicle %s: %w", folder, err)
			}
			if err == nil && sum == last.sum {
				s.pending = last.entry
				return s, nil
			}
		}
		if slices.Equal(missing, before) {
			return s, nil
		}
		before = missing
	}
	return nil, fmt.Errorf("read vehicle %s: %w", folder, errBusy)
}

// listVehicle lists a vehicle's folder, then reads its chain.
func listVehicle(fsys fs.FS) (*snapshot, error) {
	names, err := fs.ReadDir(fsys, ".")
	if err != nil {
		return nil, err
	}
	s := &snapshot{}
	for _, e := range names {
		if _, ok := parseEntryName(e.Name()); ok && e.IsDir() {
			s.entries = append(s.entries, e.Name())
		} else if e.Name() != chainFile {
			s.others = append(s.others, e.Name())
		}
	}
	slices.SortFunc(s.entries, func(a, b string) int {
		m, _ := parseEntryName(a)
		n, _ := parseEntryName(b)
		return cmp.Or(cmp.Compare(m, n), cmp.Compare(a, b))
	})
	if s.chain, s.chainErr = readChain(fsys); errors.Is(s.chainErr, fs.ErrNotExist) && len(s.entries) == 0 {
		s.chainErr = nil
	}
	return s, nil
}

// tagManifestSum returns the hash that stands for an entry.
func tagManifestSum(fsys fs.FS, entry string) (string, error) {
	data, err := readLimited(fsys, path.Join(entry, tagManifest))
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:]), nil
}

// ErrNotFound says that no vehicle or entry answers to a name.
var ErrNotFound = errors.New("not found")

// Vehicle returns the vehicle that answers to name: its folder, its name or
// its VIN, without regard to case.
func (r *Reader) Vehicle(ctx context.Context, name string) (*Vehicle, error) {
	folders, _, err := r.folders()
	if err != nil {
		return nil, err
	}
	key := bagit.CollisionKey(bagit.Squeeze(name))
	if i := slices.IndexFunc(folders, func(f string) bool { return bagit.CollisionKey(f) == key }); i >= 0 {
		return r.vehicle(folders[i])
	}
	// A vehicle is most likely in the folder made of its name.
	if i := slices.Index(folders, folderFor(name)); i >= 0 {
		folders[0], folders[i] = folders[i], folders[0]
	}
	var found []string
	for _, folder := range folders {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		e, err := r.firstEntry(folder)
		if err != nil {
			continue // a damaged vehicle answers to its folder only
		}
		if bagit.CollisionKey(e.Vehicle) == key || e.VIN != "" && strings.EqualFold(e.VIN, name) {
			found = append(found, folder)
			if folder == folderFor(name) {
				break
			}
		}
	}
	switch {
	case len(found) == 1:
		return r.vehicle(found[0])
	case len(found) > 1:
		return nil, fmt.Errorf("vehicles %s all answer to %q; name one by its folder", strings.Join(found, ", "), name)
	case len(folders) == 0:
		return nil, fmt.Errorf("vehicle %q: %w: the archive is empty", name, ErrNotFound)
	}
	slices.Sort(folders)
	if len(folders) > 20 {
		folders = append(folders[:20:20], "...")
	}
	return nil, fmt.Errorf("vehicle %q: %w: the archive holds %s", name, ErrNotFound, strings.Join(folders, ", "))
}

// firstEntry reads the first entry of a vehicle that can be read: every entry
// says which vehicle it is of.
func (r *Reader) firstEntry(folder string) (Entry, error) {
	sub, leave, err := enter(r.fsys, folder)
	if err != nil {
		return Entry{}, err
	}
	defer leave()
	entries, err := fs.ReadDir(sub, ".")
	if err != nil {
		return Entry{}, err
	}
	err = ErrNotFound
	for _, d := range entries { // sorted by name; any entry will do
		if _, ok := parseEntryName(d.Name()); !ok || !d.IsDir() {
			continue
		}
		var e Entry
		if e, err = readEntry(sub, d.Name()); err == nil {
			return e, nil
		}
	}
	return Entry{}, err
}

// Entry returns the entry of v that answers to ref: its number, its folder, the
// hash of its image or the first [MinHashDigits] or more digits of it, or a kind, which
// means the latest of that kind. Where an image was kept more than once its
// hash means the first entry.
func (v *Vehicle) Entry(ref string) (*Entry, error) {
	var match func(e *Entry) bool
	latest := false
	number, isNumber := parseNumber(ref)
	switch {
	case validKind(Kind(ref)):
		latest = true
		match = func(e *Entry) bool { return e.Kind == Kind(ref) }
	case isNumber && len(ref) < MinHashDigits:
		match = func(e *Entry) bool { return e.Number == number }
	default:
		match = func(e *Entry) bool {
			return e.Name == ref || len(ref) >= MinHashDigits && strings.HasPrefix(e.ImageSHA256, strings.ToLower(ref))
		}
	}
	var found *Entry
	for i := range v.Entries {
		e := &v.Entries[i]
		switch {
		case !match(e):
		case found == nil || latest:
			found = e
		case found.ImageSHA256 != e.ImageSHA256:
			return nil, fmt.Errorf("entries %s and %s of vehicle %s both answer to %q; give more digits", found.Name, e.Name, v.Folder, ref)
		}
	}
	if found == nil {
		return nil, fmt.Errorf("entry %q of vehicle %s: %w: give a number from 1 to %d, a folder, a kind or the hash of an image", ref, v.Folder, ErrNotFound, len(v.Entries))
	}
	return found, nil
}

func parseNumber(s string) (int, bool) {
	n := 0
	for _, c := range s {
		if c < '0' || c > '9' || n > 1<<30 {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, s != ""
}

// subFolder is fs.Sub for a name that is known to be valid.
func subFolder(fsys fs.FS, name string) fs.FS {
	sub, err := fs.Sub(fsys, name)
	if err != nil {
		panic(err) // names come from folders that were listed
	}
	return sub
}
