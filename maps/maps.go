package maps

import (
	"errors"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// Map is a region map: what lies where in an image. Its fields mirror the TOML
// file (the owner of this package adds what the language needs).
type Map struct {
	Path       string // file the map came from, "" for one made in memory
	Title      string
	Image      ImageSpec
	Bench      Bench
	Regions    []Region // in file order
	Checksums  []Rule
	Tables     []Table
	Identities []Identity
}

// ImageSpec is the [image] section.
type ImageSpec struct {
	Size      uint64 // bytes of a full read
	Base      uint64 // address of the first byte of a raw file
	BigEndian bool
	Erased    byte // value of an erased byte, usually 0xFF
}

// Bench is the [bench] section: common practice, no source; the user's own figures win.
type Bench struct {
	MinSupplyVolts, MaxAdapterLatencyMS, LineBitsPerSecond float64
	ReadMinutes                                            [2]float64
}

type Role string     // boot, program, calibration, identity, adaptation, signature, unused
type EditRule string // allowed, ask, forbidden
type Tag string      // emissions, immobiliser, safety

// Region is a named address range with a role.
type Region struct {
	Name  string
	Range image.Range
	Role  Role
	Edit  EditRule // never empty after parsing
	Tags  []Tag
}

const (
	RoleBoot        Role = "boot"
	RoleProgram     Role = "program"
	RoleCalibration Role = "calibration"
	RoleIdentity    Role = "identity"
	RoleAdaptation  Role = "adaptation"
	RoleSignature   Role = "signature"
	RoleUnused      Role = "unused"

	EditAllowed   EditRule = "allowed"
	EditAsk       EditRule = "ask"
	EditForbidden EditRule = "forbidden"

	TagEmissions   Tag = "emissions"
	TagImmobiliser Tag = "immobiliser"
	TagSafety      Tag = "safety"
)

// Rule is a checksum rule, Table a calibration value, Identity an identity
// field, as written in the map.
type Rule struct{ Name string }
type Table struct{ Name string }
type Identity struct{ Name string }

// Load reads and validates a map file; Parse does it for bytes, name being
// used in messages. The error is a *MapError that lists every mistake.
func Load(path string) (*Map, error)               { return nil, errTODO }
func Parse(name string, data []byte) (*Map, error) { return nil, errTODO }

// MapError lists every mistake of a map.
type MapError struct{ Problems []Problem }

// Problem is one mistake, at a 1-based line and column.
type Problem struct {
	File         string
	Line, Column int
	Key          string // dotted, with the index of an array: "region[2].range"
	Message      string
}

func (e *MapError) Error() string { return "" }

// Bound is a map applied to an image.
type Bound struct {
	Map   *Map
	Image *image.Image // the image as the map's addresses see it (parts placed, interleave and swap undone)
}

// Open opens the image file at path as m says (base, parts, swap) unless opts
// overrides it, and binds it.
func Open(path string, m *Map, opts image.Options) (*Bound, error) { return nil, errTODO }

// Bind applies m to im. A map that does not fit the image (size, coverage) is
// no error but shows in Coverage.
func Bind(m *Map, im *image.Image) (*Bound, error) { return nil, errTODO }

// Coverage returns findings about size and coverage: a wrong size, ranges the
// map expects and the image does not hold, bytes outside the map's image.
func (b *Bound) Coverage() []evidence.Finding { return nil }

// Check evaluates every checksum rule, in map order; a repeated rule gives one
// result a repetition.
func (b *Bound) Check() []RuleResult { return nil }

// RuleResult is the outcome of one checksum rule.
type RuleResult struct {
	Rule      string           `json:"rule"`
	Repeat    int              `json:"repeat,omitempty"` // 1-based for a repeated rule, 0 otherwise
	Algorithm string           `json:"algorithm"`
	Cover     []image.Range    `json:"cover"`            // resolved
	Field     *image.Range     `json:"field,omitempty"`  // where the stored value lies
	Stored    string           `json:"stored,omitempty"` // "0x..." as it would compare with Computed
	Computed  string           `json:"computed"`
	Verdict   evidence.Verdict `json:"verdict"`
	Reason    string           `json:"reason"` // one sentence
}

// Finding returns what r means as a finding: a fault, a caution, or a note for a rule that agrees.
func (r RuleResult) Finding() evidence.Finding { return evidence.Finding{} }

// Patch is new bytes for an address.
type Patch struct {
	Rule   string
	Addr   uint64
	Before []byte
	After  []byte
}

// Seal computes the stored values that make every failing rule agree, in
// dependency order, each from the bytes as patched so far. It changes nothing.
func (b *Bound) Seal() ([]Patch, error) { return nil, errTODO }

// Tables and Identity decode to physical values.
func (b *Bound) Tables() []TableValue      { return nil }
func (b *Bound) Identity() []IdentityValue { return nil }

// Axis is a decoded axis: values in physical units.
type Axis struct {
	Values []float64     `json:"values"`
	Unit   string        `json:"unit,omitempty"`
	Ranges []image.Range `json:"ranges,omitempty"` // where the axis lies; nil for values written in the map
}

// TableValue is a decoded table. Cells are row-major: cell (row, col) is
// Cells[row*len(columns)+col]; a scalar has one cell, a curve one row.
type TableValue struct {
	Name     string      `json:"name"`
	Region   string      `json:"region,omitempty"`
	Unit     string      `json:"unit,omitempty"`
	Rows     int         `json:"rows"`
	Cols     int         `json:"cols"`
	X        *Axis       `json:"x,omitempty"`
	Y        *Axis       `json:"y,omitempty"`
	Cells    []Cell      `json:"cells"`
	Decimals int         `json:"decimals"`          // digits after the point that the scale makes meaningful
	Min, Max *float64    `json:"-"`                 // declared limits, physical
	Range    image.Range `json:"range"`             // from the first to the last cell
	Problem  string      `json:"problem,omitempty"` // why it could not be decoded
}

// Cell is one decoded cell.
type Cell struct {
	Addr    uint64  `json:"addr"`
	Raw     int64   `json:"raw"`               // for float cells the bits
	Value   float64 `json:"value"`             // physical
	Outside bool    `json:"outside,omitempty"` // outside the declared limits
}

// IdentityValue is a decoded identity field.
type IdentityValue struct {
	Name    string      `json:"name"`
	Range   image.Range `json:"range"`
	As      string      `json:"as"`
	Value   string      `json:"value"`
	Problem string      `json:"problem,omitempty"` // why it does not parse; "" if it does
	Notes   []string    `json:"notes,omitempty"`   // e.g. a VIN check digit that does not agree
}

// RegionAt returns the region that holds addr.
func (m *Map) RegionAt(addr uint64) (Region, bool) { return Region{}, false }

// Schema returns the JSON Schema of the map language.
func Schema() []byte { return nil }

// Draft returns a commented starting map for im, as TOML.
func Draft(im *image.Image) ([]byte, error) { return nil, errTODO }

var errTODO = errors.New("maps: not written yet")
var _ = checksum.Lookup
