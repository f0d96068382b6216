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
// It reads each image once, block by block, and holds neither whole.
func Compare(original, modified *image.Image, m *maps.Map, opts Options) (*Result, error) {
	if original == nil || modified == nil {
		return nil, fmt.Errorf("compare: an image is missing; give an original and a modified image")
	}
	if m == nil {
		return compareImages(original, modified, nil, opts)
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
	return compareChecked(original, modified, original.Check(), opts)
}

// compareChecked is [CompareBound] with the results of the rules of original.
func compareChecked(original, modified *maps.Bound, before []maps.RuleResult, opts Options) (*Result, error) {
	res, err := compareImages(original.Image, modified.Image, original.Map, opts)
	if err != nil {
		return nil, err
	}
	res.Tables = changedTables(original.Tables(), modified.Tables())
	if res.Identity, err = pairIdentity(original, modified); err != nil {
		return nil, err
	}
	res.Checksums = pairRules(before, modified.Check())
	return res, nil
}

func compareImages(original, modified *image.Image, m *maps.Map, opts Options) (*Result, error) {
	before, after := original.Segments(), modified.Segments()
	res := &Result{
		JoinGap:  opts.JoinGap,
		Appeared: image.SubtractRanges(after, before),
		Vanished: image.SubtractRanges(before, after),
	}
	c := newCollector(m, opts)
	for _, r := range image.SubtractRanges(before, res.Vanished) {
		if err := scanImages(original, modified, r, c.add); err != nil {
			return nil, fmt.Errorf("compare %s: %w", r, err)
		}
	}
	res.Changes = c.changeList()
	res.ChangeCount = c.changes.total
	res.BytesChanged = c.changes.bytes
	res.Regions = c.regionList(res.Appeared, res.Vanished)
	res.Equal = res.BytesChanged == 0 && len(res.Appeared) == 0 && len(res.Vanished) == 0
	for i := range res.Changes {
		if err := res.Changes[i].show(original, modified); err != nil {
			return nil, err
		}
	}
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
