package maps

import (
	"fmt"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
)

// Rule is a checksum rule: which algorithm, over which bytes, must give which
// value. Exactly one of Algorithm, CRC and Sum names the algorithm; exactly
// one of Cover, Records and List names the bytes; exactly one of Stored and
// Target names the value.
type Rule struct {
	// Name of the rule, unique in the map.
	Name string `toml:"name" jsonschema:"required"`
	// An algorithm by name or alias: a catalogue CRC, a sum, or a digest.
	Algorithm string `toml:"algorithm"`
	// A CRC by its parameters, for layouts that have no catalogue name.
	CRC *CRCSpec `toml:"crc"`
	// A sum by its parameters.
	Sum *SumSpec `toml:"sum"`
	// Start value in place of the algorithm's own.
	Init *Constant `toml:"init"`
	// Final XOR in place of the algorithm's own.
	XorOut *Constant `toml:"xorout"`
	// Name of the rule whose result the computation starts from.
	InitFrom string `toml:"init_from"`
	// How that result is put in: register if not given.
	InitAs InitAs `toml:"init_as"`
	// The bytes that are counted, in this order.
	Cover []Cover `toml:"cover"`
	// Bytes that are counted as something else than what the image holds.
	Count []CountAs `toml:"count"`
	// How addresses without a byte count: "error" (if not given), "skip", or the byte to count for each.
	Gaps Gaps `toml:"gaps"`
	// Bytes added at the end until the number of bytes is a multiple of a word.
	Pad *Pad `toml:"pad"`
	// Adds the number of counted bytes or words to a sum.
	AddLength LengthUnit `toml:"add_length"`
	// The same rule again and again, each time further on.
	Repeat *Repeat `toml:"repeat"`
	// A table in the image that lists what to cover.
	Records *Records `toml:"records"`
	// A list in the image, walked by the lengths it holds.
	List *List `toml:"list"`
	// Where the expected value lies.
	Stored *Stored `toml:"stored"`
	// The value the result must equal when no field holds it.
	Target *Constant `toml:"target"`
	// The bytes that may be changed to reach the target.
	Rebalance *Rebalance `toml:"rebalance"`

	alg checksum.Algorithm // resolved by validation, start value and final XOR applied
}

// InitAs says how another rule's result becomes a start value.
type InitAs string

const (
	InitRegister  InitAs = "register"  // into the register as it is; a reflected CRC holds it mirrored
	InitParameter InitAs = "parameter" // as the algorithm's init parameter, most significant bit first
	InitContinue  InitAs = "continue"  // final XOR undone first, so that the computation goes on where the other ended
)

func (InitAs) values() []string { return []string{"register", "parameter", "continue"} }

// LengthUnit says in what a length is counted.
type LengthUnit string

const (
	LengthBytes LengthUnit = "bytes"
	LengthWords LengthUnit = "words"
)

func (LengthUnit) values() []string { return []string{"bytes", "words"} }

// CRCSpec gives a CRC freely, in the convention of Greg Cook's "Catalogue of
// parametrised CRC algorithms".
type CRCSpec struct {
	// Bits of the register, 1 to 128.
	Width int `toml:"width" jsonschema:"required"`
	// Polynomial without its top term, most significant bit first whatever refin says.
	Poly Constant `toml:"poly" jsonschema:"required"`
	// Start value, most significant bit first. 0 if not given.
	Init *Constant `toml:"init"`
	// Whether each byte goes in least significant bit first.
	RefIn bool `toml:"refin"`
	// Whether the register is reflected at the end.
	RefOut bool `toml:"refout"`
	// Value the result is XORed with. 0 if not given.
	XorOut *Constant `toml:"xorout"`
	// Result for the nine bytes "123456789", to prove the parameters.
	Check *Constant `toml:"check"`
}

// SumSpec gives an additive or XOR sum freely.
type SumSpec struct {
	// Bits of the accumulator and of the value: 8, 16, 32 or 64.
	Width int `toml:"width" jsonschema:"required"`
	// Bytes added at a time: 1, 2, 4 or 8. 1 if not given.
	Word int `toml:"word"`
	// Order of the bytes in a word; the image's if not given.
	ByteOrder ByteOrder `toml:"byte_order"`
	// What is done with each word: add if not given.
	Op SumOp `toml:"op"`
	// What is done with the sum at the end: plain if not given.
	Form SumForm `toml:"form"`
}

// SumOp is what is done with each word of a sum.
type SumOp string

const (
	SumAdd      SumOp = "add"       // carries out of the accumulator are lost
	SumAddCarry SumOp = "add_carry" // carries out of the accumulator are added at its low end (end-around carry)
	SumXor      SumOp = "xor"
)

func (SumOp) values() []string { return []string{"add", "add_carry", "xor"} }

// SumForm is what is done with a sum at the end.
type SumForm string

const (
	SumPlain SumForm = "plain"
	SumOnes  SumForm = "ones_complement"
	SumTwos  SumForm = "twos_complement"
)

func (SumForm) values() []string { return []string{"plain", "ones_complement", "twos_complement"} }

// Cover is one stretch of the bytes a rule counts: a range written in the map
// (as a string, or under range), a range some of whose numbers are read from
// the image, a region, bytes that are not in the image, or the number of bytes
// counted so far. An inline table has exactly one of range, start, region,
// bytes and length_bytes.
type Cover struct {
	// A fixed range: "FIRST-LAST" (last byte included) or "START+SIZE".
	Range image.Range `toml:"range"`
	// Address of the first byte. Give length, last, end or to_end_less beside it.
	Start *Number `toml:"start"`
	// Number of bytes.
	Length *Number `toml:"length"`
	// Address of the last byte, which is counted.
	Last *Number `toml:"last"`
	// Address after the last byte, which is not counted.
	End *Number `toml:"end"`
	// Everything up to this many bytes before the end of the image, or of the region named in of.
	ToEndLess *Number `toml:"to_end_less"`
	// Region whose end to_end_less counts from.
	Of string `toml:"of"`
	// A whole region, by name.
	Region string `toml:"region"`
	// Bytes that are not in the image: "AA 55", or a list of numbers.
	Bytes []byte `toml:"bytes"`
	// The number of bytes counted so far, as a number of this many bytes.
	LengthBytes int `toml:"length_bytes"`
	// Byte order of that number; the image's if not given.
	ByteOrder ByteOrder `toml:"byte_order"`
}

// Number is a number that is written in the map or read from the image.
type Number struct {
	Const uint64
	Read  *ReadNumber // nil for a number written in the map
}

// ReadNumber is a number read from the image: value = field * scale + plus.
type ReadNumber struct {
	// Address of the field; a table here reads that address from the image (a pointer).
	At *Number `toml:"at"`
	// Offset of the field from the start of its record; only inside records and list.
	Offset *uint64 `toml:"offset"`
	// Size of the field.
	Type UintType `toml:"type" jsonschema:"required"`
	// Byte order of the field; the image's if not given.
	ByteOrder ByteOrder `toml:"byte_order"`
	// What the field is multiplied with, such as 4 or 512. 1 if not given.
	Scale uint64 `toml:"scale"`
	// What is added after that; may be negative.
	Plus int64 `toml:"plus"`
}

// UintType is the type of a number read from the image.
type UintType string

func (UintType) values() []string { return []string{"u8", "u16", "u32", "u64"} }

func (t UintType) size() int {
	return map[UintType]int{"u8": 1, "u16": 2, "u32": 4, "u64": 8}[t]
}

// CountAs says that some bytes are counted as others. The bytes need not be in
// the image.
type CountAs struct {
	// The bytes that are counted as something else.
	Range image.Range `toml:"range" jsonschema:"required"`
	// What they count as: one byte for all of them (0xFF), or as many bytes as the range has.
	As []byte `toml:"as" jsonschema:"required"`
}

// Pad fills the counted bytes up to a whole word.
type Pad struct {
	// Bytes of a word: the padded number of bytes is a multiple of it.
	To int `toml:"to" jsonschema:"required"`
	// The byte that is added. 0 if not given.
	With byte `toml:"with"`
}

// Repeat evaluates a rule several times. In the k-th repetition, counted from
// 0, every address written in the rule is k*stride further on; those in stored
// and rebalance are k*stored_stride further on if that is given.
type Repeat struct {
	// How often: 1 to 8192.
	Count Number `toml:"count" jsonschema:"required"`
	// Distance between two repetitions in bytes.
	Stride Number `toml:"stride" jsonschema:"required"`
	// Distance between two stored fields in bytes; the stride if not given.
	StoredStride *Number `toml:"stored_stride"`
}

// Records is a table in the image, each record of which tells a range and
// holds its sum. The rule is evaluated once a record.
type Records struct {
	// Address of the first record.
	At Number `toml:"at" jsonschema:"required"`
	// Bytes of a record.
	Size uint64 `toml:"size" jsonschema:"required"`
	// How many records there are; with stop, how many there may be.
	Count *Number `toml:"count"`
	// A start field of this value (as it lies in the image) ends the table.
	Stop *uint64 `toml:"stop"`
	// Where in the record the first address is.
	Start ReadNumber `toml:"start" jsonschema:"required"`
	// Where in the record the number of bytes is.
	Length *ReadNumber `toml:"length"`
	// Where in the record the address of the last byte is.
	Last *ReadNumber `toml:"last"`
	// Where in the record the address after the last byte is.
	End *ReadNumber `toml:"end"`
	// Offset of the stored value in the record.
	Sum uint64 `toml:"sum"`
}

// List is a chain of items in the image, each of which holds its length. The
// rule is evaluated once an item. An item is a header, then the covered data,
// then what follows it (tail); the next item begins after that.
type List struct {
	// Address of the first item.
	At Number `toml:"at" jsonschema:"required"`
	// The number of covered bytes; its offset counts from the start of the item.
	Length ReadNumber `toml:"length" jsonschema:"required"`
	// Offset of the first covered byte from the start of the item.
	Data uint64 `toml:"data"`
	// Bytes between the covered data and the next item.
	Tail uint64 `toml:"tail"`
	// The next item begins at an address that is a multiple of this. 1 if not given.
	Align uint64 `toml:"align"`
	// Offset of the stored value from the start of the item.
	Sum *uint64 `toml:"sum"`
	// Offset of the stored value from the end of the covered data.
	SumAfter *uint64 `toml:"sum_after"`
	// A length field of this value (as it lies in the image) ends the list.
	Stop *uint64 `toml:"stop"`
	// How many items there are; with stop, how many there may be.
	Count *Number `toml:"count"`
}

// Stored says where the expected value lies and how it is written.
type Stored struct {
	// Address of the field. Not given with records and list, which say it themselves.
	At *Number `toml:"at"`
	// Bytes of the field (of one half, if value and complement lie side by side); the bytes of the value if not given.
	Bytes int `toml:"bytes"`
	// Byte order of the field; the image's if not given.
	ByteOrder ByteOrder `toml:"byte_order"`
	// How the value is written: plain if not given.
	Form FieldForm `toml:"form"`
	// Which bits a field that is narrower than the value holds: low if not given.
	Keep Keep `toml:"keep"`
	// What a field that is wider than the value holds in the other bits: zero if not given.
	Upper Upper `toml:"upper"`
	// How many bits above the field's lowest the value begins. 0 if not given.
	Shift int `toml:"shift"`
	// What the field's own bytes count as when the rule covers them.
	CountedAs []byte `toml:"counted_as"`
	// Bytes which, if they fill the field, mean that no value was ever written: 0x00, 0xFF or both.
	Unset []byte `toml:"unset"`
}

// FieldForm says how a value is written in its field.
type FieldForm string

const (
	FormPlain           FieldForm = "plain"
	FormComplemented    FieldForm = "complemented"          // every bit inverted
	FormNegated         FieldForm = "negated"               // two's complement
	FormValueComplement FieldForm = "value_then_complement" // the value, then at the next address its complement
	FormComplementValue FieldForm = "complement_then_value"
)

func (FieldForm) values() []string {
	return []string{"plain", "complemented", "negated", "value_then_complement", "complement_then_value"}
}

func (f FieldForm) pair() bool { return f == FormValueComplement || f == FormComplementValue }

// Keep says which bits a narrow field holds.
type Keep string

const (
	KeepLow  Keep = "low"
	KeepHigh Keep = "high"
)

func (Keep) values() []string { return []string{"low", "high"} }

// Upper says what a wide field holds in the bits the value does not fill.
type Upper string

const (
	UpperZero   Upper = "zero"
	UpperOnes   Upper = "ones"
	UpperIgnore Upper = "ignore"
)

func (Upper) values() []string { return []string{"zero", "ones", "ignore"} }

// Rebalance is a stretch of bytes that may be changed so that a target is reached.
type Rebalance struct {
	// Address of the first byte.
	At Number `toml:"at" jsonschema:"required"`
	// Number of bytes, 1 to 16.
	Bytes int `toml:"bytes" jsonschema:"required"`
}

// Gaps says how addresses without a byte count.
type Gaps struct {
	Skip bool
	Fill *byte // nil unless every missing byte counts as this one
}

// Constant is a number of any width, as canonical hexadecimal digits.
type Constant struct{ digits string }

// String gives the number with 0x in front.
func (c Constant) String() string { return "0x" + c.digits }

// value returns c as a checksum value of the given width, or an error if it does not fit.
func (c Constant) value(width int) (checksum.Value, error) {
	v, err := checksum.ParseValue(width, c.String())
	if err != nil {
		return v, fmt.Errorf("%s does not fit in %d bits", c, width)
	}
	return v, nil
}

// width returns the bits of the rule's value, 0 if its algorithm is not known.
func (r *Rule) width() int {
	if r.alg == (checksum.Algorithm{}) {
		return 0
	}
	return r.alg.Width()
}

// OrderBlind reports whether the rule's value stays the same when words that it
// counts change places ([checksum.Algorithm.OrderBlind]).
func (r Rule) OrderBlind() bool {
	return r.alg != (checksum.Algorithm{}) && r.alg.OrderBlind()
}

// AlgorithmName returns what the map calls the rule's algorithm.
func (r Rule) AlgorithmName() string {
	switch {
	case r.CRC != nil:
		return fmt.Sprintf("CRC-%d with polynomial %s", r.CRC.Width, r.CRC.Poly)
	case r.Sum != nil:
		return fmt.Sprintf("%d-bit sum of %d-byte words", r.Sum.Width, max(r.Sum.Word, 1))
	}
	return r.Algorithm
}
