package archive

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"

	"golang.org/x/text/unicode/norm"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/vin"
)

// Source is a file to be kept.
type Source struct {
	Name string // its name, for the name in the archive; a path is cut to its last element
	Open func() (io.ReadCloser, error)
}

// FileSource is the file at path, which must be a regular one: a pipe might
// never end.
func FileSource(path string) *Source {
	return &Source{Name: filepath.Base(path), Open: func() (io.ReadCloser, error) {
		info, err := os.Stat(path)
		switch {
		case err != nil:
			return nil, err
		case info.IsDir():
			return nil, fmt.Errorf("%s is a folder; name the files in it", path)
		case !info.Mode().IsRegular():
			return nil, fmt.Errorf("%s is no regular file (%s)", path, info.Mode())
		}
		return os.Open(path)
	}}
}

// BytesSource is a file made of data, which must not change.
func BytesSource(name string, data []byte) *Source {
	return &Source{Name: name, Open: func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(data)), nil }}
}

// Verdict is a verdict to be kept with an image.
type Verdict struct {
	Verdict evidence.Verdict
	JSON    []byte // a JSON object whose "verdict" is Verdict
	Text    []byte // the same for people
}

// Addition is what is to be kept as one entry.
type Addition struct {
	Vehicle string // any name; a VIN is recognised and kept as one
	VIN     string // "" if the vehicle has none, or Vehicle is one
	Folder  string // of the vehicle in the archive; "" makes one of the name
	Kind    Kind

	Image       *Source // nil for an attachment
	ImageSHA256 string  // of the bytes that Verdict is about; "" if unknown
	ImageFormat string  // how the image was opened, "" to tell it by the bytes
	ImageBase   *uint64 // address of the first byte of a raw file, nil for the map's
	Parent      string  // SHA-256 of the image it was made from, "" for none
	SecondRead  *Source
	Map         *Source
	Attached    []*Source
	Note        string
	Verdict     *Verdict
	Controller  bagit.Fields // identity fields decoded from the image
	Conditions  Conditions
	Again       bool // keep it although the vehicle has an entry of this kind with this image
}

// Added tells what Add did.
type Added struct {
	Entry   Entry    `json:"entry"`
	Removed []string `json:"removed,omitempty"` // temporary folders of an interrupted writer, now gone
	Notes   []string `json:"notes,omitempty"`   // worth telling the user
}

// DuplicateError says that an image is kept already.
type DuplicateError struct{ Existing Entry }

func (e *DuplicateError) Error() string {
	return fmt.Sprintf("this image is kept already as %s; nothing was added (attach adds files to a vehicle, --again keeps the image once more)", e.Existing.Ref())
}

// Add keeps one entry. It is there whole, durable and read back when Add
// returns without an error; after an error it is not listed, unless the error
// says so.
func (a *Archive) Add(ctx context.Context, add Addition) (*Added, error) {
	if err := add.check(); err != nil {
		return nil, err
	}
	unlock, err := a.lock(ctx)
	if err != nil {
		return nil, err
	}
	defer unlock()
	added := &Added{}
	w := &writer{a: a, ctx: ctx, added: added}
	if err := w.place(&add); err != nil {
		return nil, err
	}
	if err := w.build(&add); err != nil {
		return nil, w.giveUp(err)
	}
	if err := w.commit(); err != nil {
		return nil, err
	}
	added.Entry = w.entry
	if e := &w.entry; !answersTo(e, add.Vehicle) {
		added.Notes = append(added.Notes, fmt.Sprintf("vehicle %q is %q in the archive, by its VIN; the entry is kept there", add.Vehicle, e.Vehicle))
	} else if w.created && e.VIN == "" && vin.Within(add.Vehicle) {
		added.Notes = append(added.Notes, "the vehicle's name may hold a VIN, so its folder is not named after it; a VIN stated with --vin is checked")
	}
	if id := w.entry.VIN; id != "" {
		if res, err := vin.Check(id); err == nil && !res.Agrees() {
			added.Notes = append(added.Notes, res.Note())
		}
	}
	return added, nil
}

// answersTo reports whether name names the vehicle of e.
func answersTo(e *Entry, name string) bool {
	key := bagit.CollisionKey(name)
	return key == bagit.CollisionKey(e.Vehicle) || key == bagit.CollisionKey(e.Folder) || key == bagit.CollisionKey(e.VIN)
}

// check finds every mistake of an addition that needs no look at the archive.
func (add *Addition) check() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	add.Vehicle = norm.NFC.String(bagit.Squeeze(add.Vehicle))
	add.VIN = strings.ToUpper(add.VIN)
	if _, err := vin.Check(strings.ToUpper(add.Vehicle)); err == nil && add.VIN == "" && vin.Within(add.Vehicle) {
		add.VIN = strings.ToUpper(add.Vehicle)
	}
	if add.Vehicle == "" {
		bad("vehicle has no name")
	}
	if len(add.Vehicle) > 200 {
		bad("vehicle name has %d bytes, more than 200", len(add.Vehicle))
	}
	if add.VIN != "" {
		if _, err := vin.Check(add.VIN); err != nil {
			errs = append(errs, err)
		}
	}
	if !validKind(add.Kind) {
		bad("kind %q is none of %s", add.Kind, joinKinds())
	}
	if (add.Image == nil) != (add.Kind == Attachment) {
		bad("an entry of kind %s needs an image, an attachment has none", add.Kind)
	}
	if add.Kind == Attachment && len(add.Attached) == 0 && add.Note == "" {
		bad("an attachment needs a file or a note")
	}
	if add.Parent != "" && !IsSHA256(add.Parent) {
		bad("parent %q is no SHA-256", add.Parent)
	}
	if v := add.Verdict; v != nil {
		if err := checkVerdict(v.JSON, v.Verdict); err != nil {
			errs = append(errs, err)
		}
	}
	if add.Folder != "" {
		if err := checkFolder(add.Folder); err != nil {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// checkVerdict compares a verdict with the JSON that is kept of it.
func checkVerdict(data []byte, want evidence.Verdict) error {
	var doc struct {
		Verdict evidence.Verdict `json:"verdict"`
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		return fmt.Errorf("verdict to keep is no JSON: %w", err)
	}
	if doc.Verdict != want || want == "" {
		return fmt.Errorf("verdict to keep is %q, but its JSON says %q", want, doc.Verdict)
	}
	return nil
}

// writer adds one entry while it holds the lock.
type writer struct {
	a     *Archive
	ctx   context.Context
	added *Added

	entry   Entry
	created bool   // the vehicle is new
	chain   []link // of the vehicle as it is
	temp    string // temporary folder, beside its place
	bag     string // folder of the entry in it
	sum     string // of its tag manifest
}

// build writes the entry into its temporary folder.
func (w *writer) build(add *Addition) error {
	if err := w.makeTemp(); err != nil {
		return err
	}
	b := newBagWriter(w.ctx, w.a.disk, w.bag)
	e := &w.entry
	var err error
	put := func(folder string, s *Source, fallback string) string {
		if s == nil || err != nil {
			return ""
		}
		var name string
		name, err = b.add(folder, s, fallback)
		return name
	}
	e.ImagePath = put("data/image", add.Image, "image.bin")
	e.MapPath = put("data/map", add.Map, "map.toml")
	e.SecondReadPath = put("data/second-read", add.SecondRead, "second-read.bin")
	for _, s := range add.Attached {
		e.Attached = append(e.Attached, put("data/attached", s, "attached"))
	}
	if v := add.Verdict; v != nil {
		e.Verdict = v.Verdict
		e.VerdictPath = put("data/verdict", BytesSource("verdict.json", v.JSON), "")
		e.VerdictTextPath = put("data/verdict", BytesSource("verdict.txt", v.Text), "")
	}
	if add.Note != "" {
		e.NotePath = put("data", BytesSource("note.txt", []byte(strings.TrimRight(add.Note, "\n")+"\n")), "")
	}
	if err != nil {
		return err
	}
	if add.Image != nil {
		e.ImageSHA256 = hex.EncodeToString(b.sums[e.ImagePath].sha256)
		if base := filepath.Base(add.Image.Name); base != path.Base(e.ImagePath) {
			e.ImageName = bagit.Squeeze(base)
		}
		if add.ImageSHA256 != "" && add.ImageSHA256 != e.ImageSHA256 {
			return fmt.Errorf("image %s changed while it was kept: its verdict is about SHA-256 %.16s..., not %.16s... as now", add.Image.Name, add.ImageSHA256, e.ImageSHA256)
		}
		if err := w.unique(add); err != nil {
			return err
		}
	}
	info, err := e.info(oxum(b.sums))
	if err != nil {
		return err
	}
	err = b.finish(info)
	w.sum = b.sum()
	return err
}

// makeTemp makes the temporary folder and in it, for a new vehicle, the
// entry's.
func (w *writer) makeTemp() error {
	if err := w.a.disk.Mkdir(w.temp); err != nil {
		return err
	}
	if w.bag == w.temp {
		return nil
	}
	return w.a.disk.Mkdir(w.bag)
}

// unique refuses an image that the vehicle has an entry of this kind of.
func (w *writer) unique(add *Addition) error {
	if w.created || add.Again || add.Kind == GateRecord {
		return nil
	}
	v, err := w.a.vehicle(w.entry.Folder)
	if err != nil {
		return err
	}
	for _, e := range v.Entries {
		if e.Kind == add.Kind && e.ImageSHA256 == w.entry.ImageSHA256 {
			return &DuplicateError{Existing: e}
		}
	}
	return nil
}

// giveUp removes the temporary folder after an error.
func (w *writer) giveUp(cause error) error {
	if err := w.a.disk.RemoveAll(w.temp); err != nil {
		return fmt.Errorf("%w (and the temporary folder %s could not be removed: %v; the next writer will)", cause, w.temp, err)
	}
	return cause
}
