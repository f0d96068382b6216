package diffmap

import (
	"encoding/hex"
	"fmt"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// OutsideName stands for the addresses that no region of the map names.
const OutsideName = "outside every region"

// DefaultMaxChanges is how many changes a result lists when Options does not
// say. All are counted, listed or not.
const DefaultMaxChanges = 1 << 16

// shownBytes is the longest change whose bytes a result carries.
const shownBytes = 16

// Options of a comparison.
type Options struct {
	JoinGap    uint64 // changed bytes with at most this many equal bytes between them count as one change; 0 joins only adjacent ones
	MaxChanges int    // how many changes are listed, for the image and for each region; 0 means DefaultMaxChanges, negative no limit
	Hash       bool   // hash the two files with the bytes that are read anyway
}

// Result is what changed between two images. Everything is in a fixed order.
type Result struct {
	Equal        bool             `json:"equal"`         // same addresses, same bytes
	BytesChanged uint64           `json:"bytes_changed"` // addresses both images hold, with different bytes
	JoinGap      uint64           `json:"join_gap"`
	ChangeCount  uint64           `json:"change_count"` // all changes, also those left out of Changes
	Changes      []Change         `json:"changes"`      // by address
	Regions      []RegionChange   `json:"regions"`      // every region of the map in map order, then "outside every region" if anything changed there
	Appeared     []image.Range    `json:"appeared,omitempty"`
	Vanished     []image.Range    `json:"vanished,omitempty"`
	Tables       []TableChange    `json:"tables,omitempty"`    // tables with a changed cell or axis, in map order
	Identity     []IdentityChange `json:"identity,omitempty"`  // every identity field, before and after, in map order
	Checksums    []RuleChange     `json:"checksums,omitempty"` // every rule, before and after, in map order

	// SHA-256 of the files, in hex, if Options.Hash: of the original and of the modified image.
	SHA256 [2]string `json:"-"`

	signed []stretches // beside the regions of the map: changes in what a signature covers
}

// Change is one changed stretch.
type Change struct {
	Range   image.Range `json:"range"`
	Bytes   uint64      `json:"bytes"`             // bytes in it that differ (fewer than Range.Size after joining)
	Regions []string    `json:"regions,omitempty"` // names of the regions whose bytes differ, by address; OutsideName for none
	Before  string      `json:"before,omitempty"`  // all bytes of the range in hex, for ranges of at most 16 bytes
	After   string      `json:"after,omitempty"`
}

// RegionChange counts changes in one region.
type RegionChange struct {
	Name     string        `json:"name"`
	Role     maps.Role     `json:"role,omitempty"`
	Edit     maps.EditRule `json:"edit,omitempty"`
	Tags     []maps.Tag    `json:"tags,omitempty"`
	Size     uint64        `json:"size"` // 0 for OutsideName
	Bytes    uint64        `json:"bytes_changed"`
	Ranges   []image.Range `json:"ranges,omitempty"`   // changed stretches, cut at the region's ends
	Omitted  uint64        `json:"omitted,omitempty"`  // stretches left out of Ranges
	Appeared uint64        `json:"appeared,omitempty"` // bytes only the modified image holds
	Vanished uint64        `json:"vanished,omitempty"` // bytes only the original holds
	Outside  bool          `json:"outside,omitempty"`  // the entry for OutsideName
}

// Touched reports whether anything in the region differs, coverage included.
func (r RegionChange) Touched() bool { return r.Bytes+r.Appeared+r.Vanished > 0 }

// Compare tells what changed from original to modified. m may be nil: then only
// changes and coverage are known. With a map, the addresses of both images must
// be the map's: [maps.Open] and [maps.Map.Arrange] make such images. A map that
// does not fit an image is no error; what it could not decode says so.
//
// It reads each image once, block by block, and holds neither whole: every block
// is compared, counted by the checksum rules and hashed before the next one is
// read ([maps.ReadOnce] says what is read again for rules and hashes). Only
// changes of at most 16 bytes, fields and tables are then read again.
func Compare(original, modified *image.Image, m *maps.Map, opts Options) (*Result, error) {
	if original == nil || modified == nil {
		return nil, fmt.Errorf("compare: an image is missing; give an original and a modified image")
	}
	before, err := maps.Bind(m, original)
	if err != nil {
		return nil, fmt.Errorf("original: %w", err)
	}
	after, err := maps.Bind(m, modified)
	if err != nil {
		return nil, fmt.Errorf("modified: %w", err)
	}
	return CompareBound(before, after, opts)
}

// CompareBound is [Compare] for images to which one map is already bound.
func CompareBound(original, modified *maps.Bound, opts Options) (*Result, error) {
	if original == nil || modified == nil {
		return nil, fmt.Errorf("compare: an image is missing; give an original and a modified image")
	}
	if original.Map != modified.Map {
		return nil, fmt.Errorf("compare: the two images are bound to different maps; bind both to one")
	}
	c := newComparison(original, modified, opts)
	err := maps.ReadOnce(func(addr uint64, blocks [][]byte) error {
		c.take(addr, blocks[0], blocks[1])
		return nil
	}, c.before, c.after)
	if err != nil {
		return nil, fmt.Errorf("compare: %w", err)
	}
	return c.result()
}

// comparison is a [Result] in the making: the passes over both images, which
// others may share.
type comparison struct {
	original, modified *maps.Bound
	before, after      *maps.Pass
	sums               [2]digest
	changes            *collector
	res                *Result
}

func newComparison(original, modified *maps.Bound, opts Options) *comparison {
	before, after := original.Image.Segments(), modified.Image.Segments()
	c := &comparison{original: original, modified: modified, changes: newCollector(original.Map, opts),
		before: &maps.Pass{Bound: original, Name: "original", Rules: true},
		after:  &maps.Pass{Bound: modified, Name: "modified", Rules: true},
		res: &Result{
			JoinGap:  opts.JoinGap,
			Appeared: image.SubtractRanges(after, before),
			Vanished: image.SubtractRanges(before, after),
		}}
	if opts.Hash {
		c.sums[0].of(c.before)
		c.sums[1].of(c.after)
	}
	return c
}

// take takes the bytes of both images from addr on; nil for an image that holds
// none of them.
func (c *comparison) take(addr uint64, before, after []byte) {
	if before != nil && after != nil {
		scan(addr, before, after, c.changes.add)
	}
}

// result sums up after both images were read.
func (c *comparison) result() (*Result, error) {
	res := c.res
	res.Changes = c.changes.changeList()
	res.ChangeCount = c.changes.changes.total
	res.BytesChanged = c.changes.changes.bytes
	res.Regions = c.changes.regionList(res.Appeared, res.Vanished)
	res.signed = c.changes.signed
	res.Equal = res.BytesChanged == 0 && len(res.Appeared) == 0 && len(res.Vanished) == 0
	for i := range res.Changes {
		if err := res.Changes[i].show(c.original.Image, c.modified.Image); err != nil {
			return nil, err
		}
	}
	res.Tables = changedTables(c.original.Tables(), c.modified.Tables())
	var err error
	if res.Identity, err = pairIdentity(c.original, c.modified); err != nil {
		return nil, err
	}
	res.Checksums = pairRules(c.before.Results, c.after.Results)
	res.SHA256 = [2]string{c.sums[0].String(), c.sums[1].String()}
	return res, nil
}

// show puts the bytes of a short change beside it. A joined change can span a
// gap of the images; its bytes are not shown.
func (c *Change) show(original, modified *image.Image) error {
	if c.Range.Size > shownBytes || !original.Covers(c.Range) || !modified.Covers(c.Range) {
		return nil
	}
	var buf [shownBytes]byte
	p := buf[:c.Range.Size]
	for _, side := range []struct {
		im  *image.Image
		out *string
	}{{original, &c.Before}, {modified, &c.After}} {
		if _, err := side.im.ReadAddr(p, c.Range.Start); err != nil {
			return fmt.Errorf("compare %s: %w", c.Range, err)
		}
		*side.out = hex.EncodeToString(p)
	}
	return nil
}

// ChangedIn returns the regions in which anything differs, in the order of
// Regions.
func (r *Result) ChangedIn() []RegionChange {
	return slices.DeleteFunc(slices.Clone(r.Regions), func(c RegionChange) bool { return !c.Touched() })
}
