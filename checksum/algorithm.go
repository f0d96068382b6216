package checksum

import (
	"errors"
	"fmt"
	"hash"
	"slices"
)

// Family tells the kinds of algorithm apart.
type Family string

const (
	FamilyCRC    Family = "crc"    // remainder of a division of polynomials over GF(2)
	FamilySum    Family = "sum"    // additive, XOR, Fletcher, Adler, the sums of Unix tools
	FamilyDigest Family = "digest" // cryptographic hashes
)

// Algorithm is a checksum algorithm as a value: name, parameters, check value,
// source. It is immutable and safe for concurrent use. The zero value is not
// usable; algorithms come from [Lookup], [All], [NewCRC] and [NewSum].
type Algorithm struct{ d *definition }

// Hash computes a checksum over a stream. Sum appends the value in big-endian
// order, ceil(width/8) bytes. A Hash is not safe for concurrent use.
type Hash interface {
	hash.Hash
	Value() Value
}

// definition is what is known about an algorithm. It does not change.
type definition struct {
	name       string
	aliases    []string
	family     Family
	width      int
	check      Value // zero: nobody published one
	source     string
	note       string
	parameters string
	rule       rule
}

// rule is the computing side of an algorithm. Values handed in have the
// algorithm's width.
type rule interface {
	newHash() Hash
	checksum(data []byte) Value
	resume(sum Value) (Hash, error)
	combine(sumA, sumB Value, lenB uint64) (Value, error)
	appendRun(sum Value, b byte, n uint64) (Value, error)
	patched(old Value, total, offset uint64, before, after []byte) (Value, error)
}

// Name returns the name under which [Lookup] finds the algorithm; for one made
// by [NewCRC] or [NewSum] the name given there.
func (a Algorithm) Name() string { return a.d.name }

// Aliases returns the other names of the algorithm. The caller may keep it.
func (a Algorithm) Aliases() []string { return slices.Clone(a.d.aliases) }

// Family returns the kind of algorithm.
func (a Algorithm) Family() Family { return a.d.family }

// Width returns the number of bits of the value.
func (a Algorithm) Width() int { return a.d.width }

// Check returns the value of the nine ASCII bytes "123456789". For catalogue
// CRCs it is the published one; where nothing is published it is computed.
func (a Algorithm) Check() Value {
	if a.d.check.width == 0 {
		return a.Checksum([]byte("123456789"))
	}
	return a.d.check
}

// Source says where parameters and check value were published.
func (a Algorithm) Source() string { return a.d.source }

// Note returns a sentence about a trap of the name, mostly "".
func (a Algorithm) Note() string { return a.d.note }

// Parameters returns the parameters in one line, for people.
func (a Algorithm) Parameters() string { return a.d.parameters }

// String returns the name.
func (a Algorithm) String() string { return a.d.name }

// CRC returns the parameters of a CRC, and false for anything else.
func (a Algorithm) CRC() (CRCParams, bool) {
	c, ok := a.d.rule.(*crc)
	if !ok {
		return CRCParams{}, false
	}
	p := c.params
	p.Aliases = slices.Clone(p.Aliases)
	return p, true
}

// Sum returns the parameters of an additive or XOR sum, and false for anything
// else.
func (a Algorithm) Sum() (SumParams, bool) {
	s, ok := a.d.rule.(*wordSum)
	if !ok {
		return SumParams{}, false
	}
	return s.params, true
}

// OrderBlind reports whether the value stays the same when words of the message
// change places: additive and XOR sums count what is there, not where.
func (a Algorithm) OrderBlind() bool {
	switch a.d.rule.(type) {
	case *wordSum, sysvSum:
		return true
	}
	return false
}

// New returns a Hash at the start of a stream.
func (a Algorithm) New() Hash { return a.d.rule.newHash() }

// Checksum returns the checksum of data.
func (a Algorithm) Checksum(data []byte) Value { return a.d.rule.checksum(data) }

// Resume returns a Hash that goes on where sum left off: sum is the checksum
// of what came before. Sums over words of more than one byte go on at the next
// whole word. Algorithms whose value does not tell their state (digests,
// sysv-sum, posix-cksum) give an error that is [errors.ErrUnsupported].
func (a Algorithm) Resume(sum Value) (Hash, error) {
	if err := checkValue("the checksum to go on from", sum, a.d.width); err != nil {
		return nil, a.wrap(err)
	}
	h, err := a.d.rule.resume(sum)
	return h, a.wrap(err)
}

// Combine returns the checksum of AB from those of A and B and B's length in
// bytes, without reading either: O(log lenB) for CRCs, O(1) for sums. In a sum
// over words of more than one byte A counts as padded to whole words, as its
// checksum did; B then starts at the next word.
//
// Where the values do not determine the result (bsd-sum, sysv-sum,
// posix-cksum, digests) the error is [errors.ErrUnsupported].
func (a Algorithm) Combine(sumA, sumB Value, lenB uint64) (Value, error) {
	err := errors.Join(
		checkValue("the first checksum", sumA, a.d.width),
		checkValue("the second checksum", sumB, a.d.width))
	if err != nil {
		return Value{}, a.wrap(err)
	}
	v, err := a.d.rule.combine(sumA, sumB, lenB)
	return v, a.wrap(err)
}

// AppendRun returns the checksum of A followed by n bytes equal to b, from the
// checksum of A, in O(log n). What [Algorithm.Combine] says about words and
// errors holds here too.
func (a Algorithm) AppendRun(sum Value, b byte, n uint64) (Value, error) {
	if err := checkValue("the checksum", sum, a.d.width); err != nil {
		return Value{}, a.wrap(err)
	}
	v, err := a.d.rule.appendRun(sum, b, n)
	return v, a.wrap(err)
}

// Patched returns what the checksum old of a message of total bytes becomes
// when the bytes before, which lie offset bytes from its start, are replaced
// by after, which must be as many. Only those bytes are read: O(len(before) +
// log total).
//
// An end-around-carry sum does not always tell 0 from its other zero, all
// ones; in the rare case where that decides, and for algorithms whose value
// does not tell enough (bsd-sum, sysv-sum over 16 MiB, digests), the error is
// [errors.ErrUnsupported]: compute the checksum anew.
func (a Algorithm) Patched(old Value, total, offset uint64, before, after []byte) (Value, error) {
	if err := checkValue("the old checksum", old, a.d.width); err != nil {
		return Value{}, a.wrap(err)
	}
	if len(before) != len(after) {
		return Value{}, a.wrap(fmt.Errorf("a patch replaces bytes one by one: %d before, %d after", len(before), len(after)))
	}
	if offset > total || uint64(len(before)) > total-offset {
		return Value{}, a.wrap(fmt.Errorf("a patch of %d bytes at offset %d runs past the end of %d bytes", len(before), offset, total))
	}
	v, err := a.d.rule.patched(old, total, offset, before, after)
	return v, a.wrap(err)
}

// WithInit returns the algorithm with its start value replaced: the register
// at the start for CRCs (written MSB first whatever RefIn says, as in
// [CRCParams]), the first summand for additive and XOR sums. Others give an
// error. The result says in its name what was changed; it has no aliases and
// no published check value.
func (a Algorithm) WithInit(v Value) (Algorithm, error) {
	name := fmt.Sprintf("%s (init %v)", a.d.name, v)
	switch r := a.d.rule.(type) {
	case *crc:
		p := r.params.changed(name)
		p.Init = v
		return checkedCRC(p, r.engine)
	case *wordSum:
		if err := checkValue("the start value", v, a.d.width); err != nil {
			return Algorithm{}, a.wrap(err)
		}
		p := r.params.changed(name)
		p.Init, _ = v.Uint64()
		return NewSum(p)
	}
	return Algorithm{}, a.wrap(cannot("it has no start value to replace"))
}

// WithXorOut returns the algorithm with its final XOR replaced, for CRCs and
// for additive and XOR sums; in the latter it is applied after the complement.
// Others give an error. The result says in its name what was changed; it has
// no aliases and no published check value.
func (a Algorithm) WithXorOut(v Value) (Algorithm, error) {
	name := fmt.Sprintf("%s (final XOR %v)", a.d.name, v)
	switch r := a.d.rule.(type) {
	case *crc:
		p := r.params.changed(name)
		p.XorOut = v
		return checkedCRC(p, r.engine)
	case *wordSum:
		if err := checkValue("the final XOR", v, a.d.width); err != nil {
			return Algorithm{}, a.wrap(err)
		}
		p := r.params.changed(name)
		p.XorOut, _ = v.Uint64()
		return NewSum(p)
	}
	return Algorithm{}, a.wrap(cannot("it has no final XOR to replace"))
}

func (a Algorithm) wrap(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", a.d.name, err)
}

// cannot is the error for what the mathematics of an algorithm does not give.
func cannot(why string) error { return fmt.Errorf("%s: %w", why, errors.ErrUnsupported) }
