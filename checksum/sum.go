package checksum

import (
	"errors"
	"fmt"
	"math/bits"
)

// SumParams are the parameters of an additive or XOR sum. The message is cut
// into words of WordSize bytes; if the last one is short, bytes equal to Pad
// follow it. The accumulator starts as Init and takes in every word, then the
// length if AddLength; Form is applied, then XorOut.
type SumParams struct {
	Name      string
	Width     int    // bits of the accumulator and the value: 8, 16, 32, 64; at least those of a word
	WordSize  int    // bytes added at a time: 1, 2, 4, 8
	BigEndian bool   // order of the bytes in a word
	Op        SumOp  // add, add with end-around carry, xor
	Form      Form   // plain, ones' complement, two's complement of the sum; "" is plain
	Init      uint64 // start value of the accumulator
	XorOut    uint64 // XORed onto the result
	Pad       byte   // what the message counts as having after a last word that is short
	AddLength bool   // the length of the message in bytes is added at the end; not with xor
	Source    string
}

// SumOp says how a word meets the accumulator.
type SumOp string

const (
	OpAdd   SumOp = "add"   // modulo 2^Width
	OpCarry SumOp = "carry" // what overflows the accumulator is added in again at its low end (end-around carry)
	OpXor   SumOp = "xor"
)

// Form says what becomes of the accumulator at the end.
type Form string

const (
	FormPlain Form = "plain"
	FormOnes  Form = "ones-complement" // every bit flipped
	FormTwos  Form = "twos-complement" // negated modulo 2^Width
)

func (p SumParams) changed(name string) SumParams {
	p.Source = "changed from " + p.Name
	p.Name = name
	return p
}

// NewSum makes an algorithm of parameters given freely. Every mistake in them
// is reported.
func NewSum(p SumParams) (Algorithm, error) {
	if p.Form == "" {
		p.Form = FormPlain
	}
	if err := p.validate(); err != nil {
		name := p.Name
		if name == "" {
			name = "sum without a name"
		}
		return Algorithm{}, fmt.Errorf("%s: %w", name, err)
	}
	return newSum(p), nil
}

func (p SumParams) validate() error {
	var problems []error
	fault := func(format string, a ...any) { problems = append(problems, fmt.Errorf(format, a...)) }
	widthOK := oneOf(p.Width, 8, 16, 32, 64)
	if !widthOK {
		fault("width %d: a sum has 8, 16, 32 or 64 bits", p.Width)
	}
	wordOK := oneOf(p.WordSize, 1, 2, 4, 8)
	if !wordOK {
		fault("words of %d bytes: a word has 1, 2, 4 or 8", p.WordSize)
	}
	if widthOK && wordOK && p.Width < 8*p.WordSize {
		fault("words of %d bytes do not fit an accumulator of %d bits; take a wider one and compare the low bits", p.WordSize, p.Width)
	}
	if !oneOf(p.Op, OpAdd, OpCarry, OpXor) {
		fault("unknown operation %q: it is %s, %s or %s", p.Op, OpAdd, OpCarry, OpXor)
	}
	if !oneOf(p.Form, FormPlain, FormOnes, FormTwos) {
		fault("unknown form %q: it is %s, %s or %s", p.Form, FormPlain, FormOnes, FormTwos)
	}
	if widthOK && p.Init&^lowBits(p.Width) != 0 {
		fault("the start value 0x%X does not fit in %d bits", p.Init, p.Width)
	}
	if widthOK && p.XorOut&^lowBits(p.Width) != 0 {
		fault("the final XOR 0x%X does not fit in %d bits", p.XorOut, p.Width)
	}
	if p.AddLength && p.Op == OpXor {
		fault("the length can be added to sums only, not to an XOR")
	}
	return errors.Join(problems...)
}

// newSum makes an algorithm of parameters known to be right.
func newSum(p SumParams) Algorithm {
	return Algorithm{&definition{
		name: p.Name, family: FamilySum, width: p.Width,
		source: p.Source, parameters: p.String(), rule: &wordSum{p},
	}}
}

// String gives the parameters in one line.
func (p SumParams) String() string {
	s := fmt.Sprintf("width=%d op=%s word=%s form=%s", p.Width, p.Op, p.word(), p.Form)
	if p.Init != 0 {
		s += fmt.Sprintf(" init=0x%X", p.Init)
	}
	if p.XorOut != 0 {
		s += fmt.Sprintf(" xorout=0x%X", p.XorOut)
	}
	if p.WordSize > 1 {
		s += fmt.Sprintf(" pad=0x%02X", p.Pad)
	}
	if p.AddLength {
		s += " length=added"
	}
	return s
}

// word names the kind of word as algorithm names do: u8, u16le, u16be...
func (p SumParams) word() string {
	switch {
	case p.WordSize == 1:
		return "u8"
	case p.BigEndian:
		return fmt.Sprintf("u%dbe", 8*p.WordSize)
	default:
		return fmt.Sprintf("u%dle", 8*p.WordSize)
	}
}

// wordSum computes an additive or XOR sum. All words of a message are rows of
// a table with eight columns: byte i of the message lies in column i%8. The
// sums (or XORs) of the columns determine the result for every size and order
// of words, as word sizes divide 8. One fast loop over columns thus serves
// them all.
type wordSum struct{ params SumParams }

// shift returns the power of two with which column i counts in its word.
func shift(i, wordSize int, bigEndian bool) int {
	i &= wordSize - 1
	if bigEndian {
		i = wordSize - 1 - i
	}
	return 8 * i
}

func (s *wordSum) shift(i int) int { return shift(i, s.params.WordSize, s.params.BigEndian) }

// addCarry adds with end-around carry in width bits. The sum is 0 only if a
// and b are: otherwise a multiple of 2^width-1 shows as all ones.
func addCarry(a, b uint64, width int) uint64 {
	sum, carry := bits.Add64(a, b, 0)
	if width == 64 {
		return sum + carry
	}
	return sum&lowBits(width) + sum>>width
}

// join returns the accumulator after words that give x, then words that give
// y, both from 0.
func (s *wordSum) join(x, y uint64) uint64 {
	switch s.params.Op {
	case OpXor:
		return x ^ y
	case OpCarry:
		return addCarry(x, y, s.params.Width)
	default:
		return (x + y) & lowBits(s.params.Width)
	}
}

// inverse returns what takes x out of an accumulator again.
func (s *wordSum) inverse(x uint64) uint64 {
	switch s.params.Op {
	case OpXor:
		return x
	case OpCarry:
		return ^x & lowBits(s.params.Width)
	default:
		return -x & lowBits(s.params.Width)
	}
}

// finish turns the accumulator into the value, accumulator back.
func (s *wordSum) finish(acc uint64) Value {
	switch s.params.Form {
	case FormOnes:
		acc = ^acc
	case FormTwos:
		acc = -acc
	}
	return NewValue(s.params.Width, acc^s.params.XorOut)
}

func (s *wordSum) accumulator(v Value) uint64 {
	acc := v.low ^ s.params.XorOut
	switch s.params.Form {
	case FormOnes:
		acc = ^acc
	case FormTwos:
		acc = -acc
	}
	return acc & lowBits(s.params.Width)
}

func (s *wordSum) newHash() Hash { return &wordSumHash{s: s, start: s.params.Init} }

func (s *wordSum) checksum(data []byte) Value {
	h := wordSumHash{s: s, start: s.params.Init}
	h.write(data)
	return h.Value()
}

func (s *wordSum) resume(sum Value) (Hash, error) {
	return &wordSumHash{s: s, start: s.accumulator(sum)}, nil
}

func (s *wordSum) combine(sumA, sumB Value, lenB uint64) (Value, error) {
	a, b := s.accumulator(sumA), s.accumulator(sumB)
	if s.params.Init != 0 { // B's sum has it once too often
		b = s.join(b, s.inverse(s.params.Init))
	}
	return s.finish(s.join(a, b)), nil
}

func (s *wordSum) appendRun(sum Value, b byte, n uint64) (Value, error) {
	return runByDoubling(s, s.params.WordSize, sum, b, n)
}

func (s *wordSum) patched(old Value, total, offset uint64, before, after []byte) (Value, error) {
	was, is := s.contribution(offset, before), s.contribution(offset, after)
	acc := s.accumulator(old)
	if s.params.Op != OpCarry {
		return s.finish(s.join(s.join(acc, s.inverse(was)), is)), nil
	}
	if is == was {
		return old, nil
	}
	// Taking words out leaves the rest as it is modulo 2^width-1, but does not
	// tell whether a rest of 0 shows as 0 (nothing but zeros) or as all ones.
	acc = s.join(acc, s.inverse(was))
	if is != 0 || acc != 0 && acc != lowBits(s.params.Width) || s.startsAboveZero(total) {
		return s.finish(s.join(acc, is)), nil
	}
	if uint64(len(after)) != total {
		return Value{}, cannot("the old value does not tell whether the sum is now 0 or all ones")
	}
	return s.finish(0), nil
}

// startsAboveZero reports whether a message of total bytes, all zeros, has an
// accumulator other than 0.
func (s *wordSum) startsAboveZero(total uint64) bool {
	p := s.params
	return p.Init != 0 || p.AddLength && total > 0 || p.Pad != 0 && total%uint64(p.WordSize) != 0
}

// contribution returns what data gives to the accumulator from 0 if it lies
// offset bytes from the start of the message and all else is zeros.
func (s *wordSum) contribution(offset uint64, data []byte) uint64 {
	h := wordSumHash{s: s, length: offset % 8}
	h.write(data)
	return h.words()
}

// wordSumHash keeps sums of columns. They do not overflow in messages shorter
// than 2^56 bytes.
type wordSumHash struct {
	s       *wordSum
	start   uint64    // the accumulator before the first word
	columns [8]uint64 // for XOR only the low byte of each counts
	length  uint64    // bytes so far
}

func (h *wordSumHash) Write(p []byte) (int, error) {
	h.write(p)
	return len(p), nil
}

func (h *wordSumHash) write(p []byte) {
	for len(p) > 0 && h.length%8 != 0 {
		h.add(p[0])
		p = p[1:]
	}
	rows := p[:len(p)&^7]
	h.length += uint64(len(rows))
	if h.s.params.Op == OpXor {
		xorColumns(&h.columns, rows)
	} else {
		addColumns(&h.columns, rows)
	}
	for _, b := range p[len(rows):] {
		h.add(b)
	}
}

func (h *wordSumHash) add(b byte) {
	if h.s.params.Op == OpXor {
		h.columns[h.length%8] ^= uint64(b)
	} else {
		h.columns[h.length%8] += uint64(b)
	}
	h.length++
}

// words returns the accumulator for the columns alone.
func (h *wordSumHash) words() uint64 {
	var acc uint64
	width, size, bigEndian := h.s.params.Width, h.s.params.WordSize, h.s.params.BigEndian
	switch h.s.params.Op {
	case OpXor:
		for i, column := range h.columns {
			acc ^= column << shift(i, size, bigEndian)
		}
	case OpAdd:
		for i, column := range h.columns {
			acc += column << shift(i, size, bigEndian)
		}
		acc &= lowBits(width)
	case OpCarry:
		for i, column := range h.columns {
			// The column times its weight has up to 120 bits: its digits to
			// the base 2^width are added one by one.
			hi, lo := bits.Mul64(column, 1<<shift(i, size, bigEndian))
			for n := (u128{hi, lo}); !n.isZero(); n = n.shr(width) {
				acc = addCarry(acc, n.lo&lowBits(width), width)
			}
		}
	}
	return acc
}

func (h *wordSumHash) Value() Value {
	s := h.s
	acc := s.join(h.start, h.words())
	for i := h.length; i&uint64(s.params.WordSize-1) != 0; i++ {
		acc = s.join(acc, uint64(s.params.Pad)<<s.shift(int(i%8)))
	}
	if s.params.AddLength {
		n := h.length
		if s.params.Op == OpCarry {
			for ; n > lowBits(s.params.Width); n >>= s.params.Width {
				acc = s.join(acc, n&lowBits(s.params.Width))
			}
		}
		acc = s.join(acc, n)
	}
	return s.finish(acc)
}

func (h *wordSumHash) Sum(b []byte) []byte { return h.Value().appendTo(b) }
func (h *wordSumHash) Reset()              { *h = wordSumHash{s: h.s, start: h.s.params.Init} }
func (h *wordSumHash) Size() int           { return h.s.params.Width / 8 }
func (h *wordSumHash) BlockSize() int      { return h.s.params.WordSize }

// runByDoubling is appendRun for sums that combine: it combines words of b
// with themselves, then adds what is left of n.
func runByDoubling(r rule, wordSize int, sum Value, b byte, n uint64) (Value, error) {
	word := make([]byte, wordSize)
	for i := range word {
		word[i] = b
	}
	one, run := r.checksum(word), r.checksum(nil)
	size, words := uint64(wordSize), n/uint64(wordSize)
	for i := bits.Len64(words) - 1; i >= 0; i-- {
		// A sum that combines never fails to: the errors are those of rules
		// that do not.
		run, _ = r.combine(run, run, words>>(i+1)*size)
		if words>>i&1 != 0 {
			run, _ = r.combine(run, one, size)
		}
	}
	sum, _ = r.combine(sum, run, words*size)
	return r.combine(sum, r.checksum(word[:n%size]), n%size)
}

// lowBits has the low n bits set, n from 1 to 64.
func lowBits(n int) uint64 { return ^uint64(0) >> (64 - n) }

func oneOf[T comparable](v T, list ...T) bool {
	for _, x := range list {
		if v == x {
			return true
		}
	}
	return false
}
