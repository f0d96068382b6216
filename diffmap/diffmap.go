package diffmap

import (
	"errors"
	"time"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Options of a comparison.
type Options struct {
	JoinGap uint64 // changed bytes with at most this many equal bytes between them count as one change; 0 joins only adjacent ones
}

// Result is what changed between two images. Everything is in a fixed order.
type Result struct {
	Equal        bool             `json:"equal"`
	BytesChanged uint64           `json:"bytes_changed"`
	Changes      []Change         `json:"changes"`
	Regions      []RegionChange   `json:"regions"` // every region of the map in map order, then "outside every region" if anything changed there
	Appeared     []image.Range    `json:"appeared,omitempty"`
	Vanished     []image.Range    `json:"vanished,omitempty"`
	Tables       []TableChange    `json:"tables,omitempty"`   // tables with a changed cell or axis
	Identity     []IdentityChange `json:"identity,omitempty"` // every identity field, before and after
	Checksums    []RuleChange     `json:"checksums,omitempty"`
}

// Change is one changed stretch.
type Change struct {
	Range   image.Range `json:"range"`
	Bytes   uint64      `json:"bytes"` // bytes in it that differ (fewer than Range.Size after joining)
	Regions []string    `json:"regions,omitempty"`
}

// RegionChange counts changes in one region.
type RegionChange struct {
	Name   string        `json:"name"`
	Role   maps.Role     `json:"role,omitempty"`
	Edit   maps.EditRule `json:"edit,omitempty"`
	Tags   []maps.Tag    `json:"tags,omitempty"`
	Size   uint64        `json:"size"`
	Bytes  uint64        `json:"bytes_changed"`
	Ranges []image.Range `json:"ranges,omitempty"`
}

// TableChange is a table before and after, in physical units.
type TableChange struct {
	Before      maps.TableValue `json:"before"`
	After       maps.TableValue `json:"after"`
	Cells       []int           `json:"cells"` // indexes into Cells of those that differ
	AxesChanged bool            `json:"axes_changed,omitempty"`
}

type IdentityChange struct {
	Before  maps.IdentityValue `json:"before"`
	After   maps.IdentityValue `json:"after"`
	Changed bool               `json:"changed"`
}

type RuleChange struct {
	Before maps.RuleResult `json:"before"`
	After  maps.RuleResult `json:"after"`
}

// Compare tells what changed from original to modified. m may be nil: then
// only changes and coverage are known.
func Compare(original, modified *image.Image, m *maps.Map, opts Options) (*Result, error) {
	return nil, errTODO
}

// GateInput is everything the gate judges.
type GateInput struct {
	Original, Modified *image.Image
	Map                *maps.Map
	SecondRead         *image.Image // nil: none
	Bench              BenchFigures
	Accepted           map[string]string // region name -> reason, for regions whose edit must be asked
	Archive            *ArchiveEvidence  // nil: no archive
}

// BenchFigures are what the user states about the bench; nil means not stated.
type BenchFigures struct {
	SupplyVolts      *float64
	AdapterLatencyMS *float64
	ReadTook         *time.Duration
}

// ArchiveEvidence is what an archive proved about the original.
type ArchiveEvidence struct {
	Entry      string
	Verified   evidence.Verdict // every byte re-hashed
	Kept       evidence.Verdict // verdict kept with the entry
	Restorable evidence.Verdict // the payload equals Original byte for byte
	Detail     string
}

// Condition is one thing the gate demands, with its evidence.
type Condition struct {
	Code     string             `json:"code"`
	Title    string             `json:"title"`
	Verdict  evidence.Verdict   `json:"verdict"`
	Evidence []string           `json:"evidence"`
	Findings []evidence.Finding `json:"findings,omitempty"`
}

// GateResult is the gate's answer.
type GateResult struct {
	Verdict    evidence.Verdict `json:"verdict"`
	Conditions []Condition      `json:"conditions"`
	Cautions   []string         `json:"cautions"` // what the tags of changed regions and the gate's own limits call for
	Diff       *Result          `json:"diff"`
}

// Gate judges whether modified may be written.
func Gate(in GateInput) (*GateResult, error) { return nil, errTODO }

var errTODO = errors.New("diffmap: not written yet")
