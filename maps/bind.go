package maps

import (
	"errors"
	"fmt"
	"io"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// Bound is a map applied to an image.
type Bound struct {
	Map   *Map         // nil for none: then there are no rules, tables and identity fields, and Coverage finds nothing
	Image *image.Image // the image as the map's addresses see it: parts placed, interleave and swap undone

	opened  *image.Image                             // what Open opened, nil for Bind
	arrange func(*image.Image) (*image.Image, error) // how opened became Image, nil for Bind
	size    uint64                                   // bytes of the raw file, 0 if the image is no raw file
}

// Open opens the image file at path, arranges it as m says, and binds it. The
// base of m holds unless opts gives one (0 too), and so does its file format.
// Close the result when done. m may be nil: then the image is what the file says.
//
// A file that carries addresses (Intel HEX, S-record, ELF) keeps them: base,
// parts and interleaved describe raw files only, swapped holds for both.
func Open(path string, m *Map, opts image.Options) (*Bound, error) {
	return open(path, m, opts, func(opts image.Options) (*image.Image, error) { return image.Open(path, opts) })
}

// New does what [Open] does with size bytes of r, which stands for the file.
// The name is for messages.
func New(name string, r io.ReaderAt, size int64, m *Map, opts image.Options) (*Bound, error) {
	return open(name, m, opts, func(opts image.Options) (*image.Image, error) {
		im, err := image.New(r, size, opts)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		return im, nil
	})
}

func open(path string, m *Map, opts image.Options, openImage func(image.Options) (*image.Image, error)) (*Bound, error) {
	if m == nil {
		im, err := openImage(opts)
		if err != nil {
			return nil, err
		}
		return &Bound{Image: im, opened: im}, nil
	}
	base := opts.Base
	opts.Base = nil
	if opts.Format == image.FormatAuto {
		opts.Format = image.Format(m.Image.FileFormat)
	}
	im, err := openImage(opts)
	if err != nil {
		return nil, err
	}
	raw := im.Format() == image.FormatRaw
	if base != nil && !raw {
		im.Close()
		return nil, fmt.Errorf("%s: a base of 0x%X is given, but the file carries its own addresses; leave the base out", path, *base)
	}
	if raw && !m.Image.Arranged() {
		if base == nil {
			base = &m.Image.Base
		}
		if *base != 0 { // open it again where it belongs, so that the image keeps its file
			im.Close()
			opts.Base, opts.Format = base, image.FormatRaw
			if im, err = openImage(opts); err != nil {
				return nil, err
			}
		}
		return &Bound{Map: m, Image: im, opened: im, size: im.Size()}, nil
	}
	if base != nil && len(m.Image.Parts) > 0 {
		im.Close()
		return nil, fmt.Errorf("%s: a base of 0x%X is given, but the map places each part of the file by itself; leave the base out", path, *base)
	}
	b := &Bound{Map: m, opened: im}
	if raw {
		b.size = im.Size()
	}
	spec := m.Image
	if base != nil {
		spec.Base = *base
	}
	b.arrange = spec.arrange
	if b.Image, err = spec.arrange(im); err != nil {
		im.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return b, nil
}

// Close closes the file that Open opened. It does nothing for Bind, whose
// image belongs to the caller.
func (b *Bound) Close() error {
	if b.opened == nil {
		return nil
	}
	return b.opened.Close()
}

// Opened returns the image as it was opened, before it was arranged; after
// Bind that is the image itself.
func (b *Bound) Opened() *image.Image {
	if b.opened == nil {
		return b.Image
	}
	return b.opened
}

// Bind applies m to im, whose addresses are the map's: one that [Open] or
// [Map.Arrange] made, or one that needs no arranging. A map that does not fit
// the image (size, coverage) is no error but shows in Coverage. m may be nil.
func Bind(m *Map, im *image.Image) (*Bound, error) {
	if im == nil {
		return nil, errors.New("bind: the image is missing")
	}
	b := &Bound{Map: m, Image: im}
	if m == nil {
		return b, nil
	}
	// What was put together from pieces, or read from records, has no size
	// that says anything; what it lacks is reported as missing.
	if im.Format() == image.FormatRaw && !m.Image.Arranged() && len(im.Segments()) == 1 {
		b.size = im.Size()
	}
	return b, nil
}

// Arrange returns a view of im as the map's addresses see it. For a raw file
// im has file offsets as addresses (base 0), and the order is: swapped is
// undone, then interleaved, then the parts are placed, or the whole at the
// map's base. An image that carries addresses is only swapped.
//
// Bytes that do not make up whole words or turns at the end of a short file
// are left out; Coverage then shows what is missing. What a long file holds
// beyond its size is put behind the highest address of the map, as it is;
// Coverage then shows it as outside.
func (m *Map) Arrange(im *image.Image) (*image.Image, error) { return m.Image.arrange(im) }

// Arranged reports whether a raw file needs more than a base.
func (s ImageSpec) Arranged() bool {
	return s.Swapped != 0 || s.Interleaved != 0 || len(s.Parts) > 0
}

func (s ImageSpec) arrange(im *image.Image) (*image.Image, error) {
	raw := im.Format() == image.FormatRaw
	whole := im
	var err error
	if s.Swapped != 0 {
		if raw {
			if im, err = head(im, s.Size, uint64(s.Swapped)); err != nil {
				return nil, err
			}
		}
		if im, err = im.Swap(s.Swapped); err != nil {
			return nil, fmt.Errorf("undo swapped = %d: %w", s.Swapped, err)
		}
	}
	if !raw {
		return im, nil
	}
	if s.Interleaved != 0 {
		if im, err = s.deinterleave(im); err != nil {
			return nil, fmt.Errorf("undo interleaved = %d: %w", s.Interleaved, err)
		}
	}
	if len(s.Parts) == 0 {
		if s.Base != 0 {
			if im, err = im.Rebase(0, s.Base); err != nil {
				return nil, err
			}
		}
		if !s.Arranged() {
			return im, nil
		}
		return s.withRest(whole, im)
	}
	var placed []*image.Image
	for _, p := range s.Parts {
		part, err := p.view(im)
		if err != nil {
			return nil, fmt.Errorf("place part %q: %w", p.Name, err)
		}
		if part != nil {
			placed = append(placed, part)
		}
	}
	if len(placed) == 0 {
		return nil, fmt.Errorf("the file of %d bytes holds nothing of any part", im.Size())
	}
	if im, err = image.Combine(placed...); err != nil {
		return nil, err
	}
	return s.withRest(whole, im)
}

// withRest puts what a file holds beyond the size of a full read behind the
// highest address of the map, so that it shows as outside.
func (s ImageSpec) withRest(file, arranged *image.Image) (*image.Image, error) {
	if file.Size() <= s.Size {
		return arranged, nil
	}
	rest, err := file.Slice(image.Range{Start: s.Size, Size: file.Size() - s.Size})
	if err != nil {
		return nil, err
	}
	top := s.extent()
	if rest, err = rest.Rebase(s.Size, top[len(top)-1].End()); err != nil {
		return nil, fmt.Errorf("the file has %d bytes more than a full read: %w", file.Size()-s.Size, err)
	}
	return image.Combine(arranged, rest)
}

// head returns the first bytes of im, at most size and a whole number of units.
func head(im *image.Image, size, unit uint64) (*image.Image, error) {
	n := min(im.Size(), size)
	n -= n % unit
	if n == 0 {
		return nil, fmt.Errorf("the file of %d bytes is shorter than one unit of %d", im.Size(), unit)
	}
	return im.Slice(image.Range{Size: n})
}

// deinterleave puts the memories whose bytes take turns in the file one after
// another: memory k begins at k * size/n.
func (s ImageSpec) deinterleave(im *image.Image) (*image.Image, error) {
	im, err := head(im, s.Size, uint64(s.Interleaved))
	if err != nil {
		return nil, err
	}
	lanes, err := im.Split(0, s.Interleaved, 1)
	if err != nil {
		return nil, err
	}
	for k := range lanes {
		if lanes[k], err = lanes[k].Rebase(0, uint64(k)*(s.Size/uint64(s.Interleaved))); err != nil {
			return nil, err
		}
	}
	return image.Combine(lanes...)
}

// view returns the part at its addresses, or nil if the file holds none of it.
func (p Part) view(im *image.Image) (*image.Image, error) {
	size := p.File[0].Size
	for _, r := range p.File {
		if missing := im.Gaps(r); len(missing) > 0 {
			size = min(size, missing[0].Start-r.Start)
		}
	}
	unit := uint64(max(p.Unit, 1))
	if size -= size % unit; size == 0 {
		return nil, nil
	}
	chips := make([]*image.Image, len(p.File))
	for i, r := range p.File {
		chip, err := im.Slice(image.Range{Start: r.Start, Size: size})
		if err != nil {
			return nil, err
		}
		if chips[i], err = chip.Rebase(r.Start, p.Base); err != nil {
			return nil, err
		}
	}
	if len(chips) == 1 {
		return chips[0], nil
	}
	return image.Join(p.Base, int(unit), chips...)
}

// Coverage returns findings about size and coverage, in address order: a wrong
// size, ranges the map expects and the image does not hold, bytes outside the
// map's image.
func (b *Bound) Coverage() []evidence.Finding {
	var out []evidence.Finding
	if b.Map == nil {
		return nil
	}
	if want := b.Map.Image.Size; b.size != 0 && b.size != want {
		out = append(out, evidence.Finding{Code: CodeSize, Severity: evidence.Fault,
			Message: evidence.Sprintf("the file has %d bytes (0x%X), and a full read has %d (0x%X): %s", b.size, b.size, want, want, sizeHint(b.size, want))})
	}
	held := b.Image.Segments()
	extent := b.Map.Extent()
	missing := image.SubtractRanges(extent, held)
	left := missing
	for _, r := range b.Map.Regions {
		gone := image.MergeRanges(intersections(missing, r.Range))
		if len(gone) == 0 {
			continue
		}
		f := evidence.Finding{Code: CodeMissing, Region: r.Name, Ranges: gone, Severity: evidence.Fault,
			Message: fmt.Sprintf("the image holds no bytes at %s, where region %q is expected to have content; read them", evidence.Ranges(gone), r.Name)}
		if r.Content == ContentMayBeErased {
			f.Message = fmt.Sprintf("the image holds no bytes at %s of region %q; read them too", evidence.Ranges(gone), r.Name)
			f.Severity = evidence.Caution
			if r.Role == RoleUnused {
				f.Severity = evidence.Note
			}
		}
		out = append(out, f)
		left = image.SubtractRanges(left, gone)
	}
	if len(left) > 0 {
		out = append(out, evidence.Finding{Code: CodeMissing, Severity: evidence.Note, Ranges: left,
			Message: fmt.Sprintf("the image holds no bytes at %s, which lie in no region of the map", evidence.Ranges(left))})
	}
	if outside := image.SubtractRanges(held, extent); len(outside) > 0 {
		f := evidence.Finding{Code: CodeOutside, Severity: evidence.Caution, Ranges: outside,
			Message: fmt.Sprintf("the image holds bytes at %s, outside the %s the map describes", evidence.Ranges(outside), evidence.Ranges(extent))}
		if from, want := held[0].Start, extent[0].Start; b.size == b.Map.Image.Size && from != want {
			f.Message += fmt.Sprintf("; it is as long as a full read, but begins at 0x%X instead of 0x%X: give the file the base 0x%X, or the map is for another controller", from, want, want)
		} else {
			f.Message += "; read only those, or use the right map"
		}
		out = append(out, f)
	}
	return out
}

func sizeHint(got, want uint64) string {
	switch {
	case got < want:
		return "the read stopped early, or the map is for another controller; read the whole memory, or use the right map"
	case want > 0 && got%want == 0:
		return "the memory may have been read more than once, or the map is for another controller; read it once from end to end, or use the right map"
	}
	return "the read holds more than the memory, or the map is for another controller; read the memory alone, or use the right map"
}

// Codes of the findings this package makes.
const (
	// CodeSize: the raw file is not as long as a full read. Fault.
	CodeSize = "size-wrong"
	// CodeMissing: the image lacks bytes of the map. Fault where content is
	// expected, caution in a region that may be erased, note in an unused
	// region and outside every region.
	CodeMissing = "coverage-missing"
	// CodeOutside: the image holds bytes that the map does not describe. Caution.
	CodeOutside = "coverage-outside"
	// CodeAgrees: a checksum rule holds. Note.
	CodeAgrees = "checksum-agrees"
	// CodeMismatch: a checksum rule does not hold. Fault.
	CodeMismatch = "checksum-mismatch"
	// CodeUnreadable: bytes or numbers a checksum rule needs are not in the image or make no sense. Fault.
	CodeUnreadable = "checksum-unreadable"
	// CodeUnset: the field of a checksum was never written, by the convention the map states. Caution.
	CodeUnset = "checksum-unset"
	// CodeEmpty: a table or list of checksums in the image has no entries. Caution.
	CodeEmpty = "checksum-no-entries"
)
