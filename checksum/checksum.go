package checksum

import (
	"errors"
	"hash"
)

// Value is a checksum of 1 to 512 bits. Values are comparable with ==.
type Value struct {
	width int
	be    [64]byte // big-endian, right-aligned
}

// Family tells the kinds of algorithm apart.
type Family string

const (
	FamilyCRC    Family = "crc"
	FamilySum    Family = "sum"    // additive, XOR, Fletcher, Adler, the sums of Unix tools
	FamilyDigest Family = "digest" // cryptographic hashes
)

// Algorithm is a checksum algorithm as a value: name, parameters, check value,
// source. It is immutable and safe for concurrent use; the zero value is not
// usable.
type Algorithm struct{}

// Hash computes a checksum over a stream. Sum appends the value in big-endian
// order, ceil(width/8) bytes.
type Hash interface {
	hash.Hash
	Value() Value
}

func (a Algorithm) Name() string               { return "" }
func (a Algorithm) Aliases() []string          { return nil }
func (a Algorithm) Family() Family             { return "" }
func (a Algorithm) Width() int                 { return 0 }       // bits of the value
func (a Algorithm) Check() Value               { return Value{} } // of the nine bytes "123456789"
func (a Algorithm) Source() string             { return "" }      // where parameters and check value were published
func (a Algorithm) Parameters() string         { return "" }      // one line, for people
func (a Algorithm) CRC() (CRCParams, bool)     { return CRCParams{}, false }
func (a Algorithm) Sum() (SumParams, bool)     { return SumParams{}, false }
func (a Algorithm) New() Hash                  { return nil }
func (a Algorithm) Checksum(data []byte) Value { return Value{} }

// WithInit and WithXorOut return the algorithm with its start value or final
// XOR replaced (CRCs and additive sums; others give an error).
func (a Algorithm) WithInit(v Value) (Algorithm, error)   { return a, errTODO }
func (a Algorithm) WithXorOut(v Value) (Algorithm, error) { return a, errTODO }

// Combine returns the checksum of AB from those of A and B and B's length in bytes.
func (a Algorithm) Combine(sumA, sumB Value, lenB uint64) (Value, error) { return Value{}, errTODO }

// CRCParams are the parameters of a CRC in the convention of Greg Cook's
// catalogue: Poly without its top term, Poly and Init written MSB first
// whatever RefIn says; widths 1 to 128.
type CRCParams struct {
	Name           string
	Width          int
	Poly, Init     Value
	RefIn, RefOut  bool
	XorOut         Value
	Check, Residue Value
	Aliases        []string
	Source         string
}

// SumParams are the parameters of an additive or XOR sum.
type SumParams struct {
	Name      string
	Width     int   // bits of the accumulator and the value: 8, 16, 32, 64
	WordSize  int   // bytes added at a time: 1, 2, 4, 8
	BigEndian bool  // order of the bytes in a word
	Op        SumOp // add, add with end-around carry, xor
	Form      Form  // plain, ones' complement, two's complement of the sum
	Init      uint64
	Source    string
}

type SumOp string
type Form string

func NewCRC(p CRCParams) (Algorithm, error) { return Algorithm{}, errTODO }
func NewSum(p SumParams) (Algorithm, error) { return Algorithm{}, errTODO }

// Lookup finds an algorithm by name or alias, case ignored. An unknown name
// gives an *UnknownError that suggests near ones.
func Lookup(name string) (Algorithm, error) { return Algorithm{}, errTODO }

// All returns every named algorithm: catalogue CRCs, sums, digests, in a fixed order.
func All() []Algorithm { return nil }

// AddressReader reads bytes at addresses; *image.Image is one.
type AddressReader interface {
	ReadAddr(p []byte, addr uint64) (int, error)
}

// Over computes a over several ranges of src, in the order given. R is any
// struct { Start, Size uint64 }, such as image.Range.
func Over[R ~struct{ Start, Size uint64 }](a Algorithm, src AddressReader, ranges ...R) (Value, error) {
	return Value{}, errTODO
}

func NewValue(width int, v uint64) Value                        { return Value{} } // width 1..512
func ParseValue(width int, s string) (Value, error)             { return Value{}, errTODO }
func ValueFromBytes(width int, bigEndian []byte) (Value, error) { return Value{}, errTODO }

func (v Value) Width() int             { return v.width }
func (v Value) Bytes() []byte          { return nil } // ceil(width/8) bytes, big-endian
func (v Value) Uint64() (uint64, bool) { return 0, false }
func (v Value) String() string         { return "" } // "0x" and ceil(width/4) upper-case hex digits

var errTODO = errors.New("checksum: not written yet")
