package maps

import (
	"bytes"
	"fmt"
	"math/big"
	"slices"

	"example.com/calproof/checksum"
)

// A stored field holds a value of some bits in bytes that may be more or
// fewer. kept is the number of bits that are compared; they lie in the field
// from bit shift on, counted from its lowest.
func (s *Stored) kept(width int) int { return min(width, 8*s.Bytes-s.Shift) }

// comparable returns the part of a value that the field holds.
func (s *Stored) comparable(v checksum.Value) checksum.Value {
	kept := s.kept(v.Width())
	n := valueNumber(v)
	if s.Keep == KeepHigh {
		n.Rsh(n, uint(v.Width()-kept))
	}
	return numberValue(kept, n.And(n, bitMask(kept)))
}

// decode returns the value a field holds as it would compare, and a sentence
// about what is wrong with the field apart from the value ("" if nothing is).
func (s *Stored) decode(field []byte, width int) (checksum.Value, string) {
	halves := [][]byte{field}
	if s.Form.pair() {
		halves = [][]byte{field[:s.Bytes], field[s.Bytes:]}
	}
	forms := s.halfForms()
	var values [2]checksum.Value
	fault := ""
	for i, half := range halves {
		bits, rest := s.split(half, width)
		values[i] = s.undo(bits, forms[i], width)
		if fault == "" {
			fault = s.upperFault(rest, width)
		}
	}
	if len(halves) == 2 && values[0] != values[1] && fault == "" {
		fault = fmt.Sprintf("the value and its complement do not belong together (0x%X and 0x%X, as the bytes lie)", halves[0], halves[1])
	}
	if s.Form == FormComplementValue {
		return values[1], fault
	}
	return values[0], fault
}

// halfForms returns how each half of the field (or the only one) is written.
func (s *Stored) halfForms() [2]FieldForm {
	switch s.Form {
	case FormValueComplement:
		return [2]FieldForm{FormPlain, FormComplemented}
	case FormComplementValue:
		return [2]FieldForm{FormComplemented, FormPlain}
	}
	return [2]FieldForm{s.Form, s.Form}
}

// split returns the bits of a half that hold the value, and the others.
func (s *Stored) split(half []byte, width int) (value, rest *big.Int) {
	all := new(big.Int).SetBytes(bigEndian(half, s.ByteOrder))
	where := s.valueMask(width)
	value = new(big.Int).And(all, where)
	return value.Rsh(value, uint(s.Shift)), all.AndNot(all, where)
}

// valueMask has the bits of the field set that hold the value.
func (s *Stored) valueMask(width int) *big.Int {
	m := bitMask(s.kept(width))
	return m.Lsh(m, uint(s.Shift))
}

func (s *Stored) undo(n *big.Int, form FieldForm, width int) checksum.Value {
	kept := s.kept(width)
	mask := bitMask(kept)
	switch form {
	case FormComplemented:
		n = new(big.Int).Xor(n, mask)
	case FormNegated:
		n = new(big.Int).Neg(n)
		n.And(n, mask)
	}
	return numberValue(kept, n)
}

// upperFault says what is wrong with the bits that do not hold the value.
func (s *Stored) upperFault(rest *big.Int, width int) string {
	switch {
	case s.Upper == UpperZero && rest.Sign() != 0:
		return "the bits beside the value are not zero"
	case s.Upper == UpperOnes && rest.Cmp(new(big.Int).AndNot(bitMask(8*s.Bytes), s.valueMask(width))) != 0:
		return "the bits beside the value are not all ones"
	}
	return ""
}

// encode returns the field that holds v. Bits the map ignores stay as they are in old.
func (s *Stored) encode(v checksum.Value, old []byte) []byte {
	width := v.Width()
	plain := valueNumber(s.comparable(v))
	forms := s.halfForms()
	var out []byte
	for i := range len(old) / s.Bytes {
		half := old[i*s.Bytes : (i+1)*s.Bytes]
		// undo is its own inverse for every form.
		n := valueNumber(s.undo(plain, forms[i], width))
		n.Lsh(n, uint(s.Shift))
		_, rest := s.split(half, width)
		switch s.Upper {
		case UpperIgnore:
			n.Or(n, rest)
		case UpperOnes:
			n.Or(n, new(big.Int).AndNot(bitMask(8*s.Bytes), s.valueMask(width)))
		}
		out = append(out, bigEndian(n.FillBytes(make([]byte, s.Bytes)), s.ByteOrder)...)
	}
	return out
}

// unset reports whether the field is filled with a byte that means that no
// value was ever written.
func (s *Stored) unset(field []byte) bool {
	return slices.ContainsFunc(s.Unset, func(b byte) bool {
		return bytes.Count(field, []byte{b}) == len(field)
	})
}

// bigEndian returns b, reversed if it is in little-endian order (and the other
// way round: reversing is its own inverse).
func bigEndian(b []byte, order ByteOrder) []byte {
	b = slices.Clone(b)
	if order == LittleEndian {
		slices.Reverse(b)
	}
	return b
}

func bitMask(n int) *big.Int {
	one := big.NewInt(1)
	return new(big.Int).Sub(new(big.Int).Lsh(one, uint(n)), one)
}

func valueNumber(v checksum.Value) *big.Int { return new(big.Int).SetBytes(v.Bytes()) }

// numberValue returns n, which fits in width bits, as a value.
func numberValue(width int, n *big.Int) checksum.Value {
	v, err := checksum.ValueFromBytes(width, n.FillBytes(make([]byte, (width+7)/8)))
	if err != nil {
		panic("maps: " + err.Error()) // every caller masks n to width bits
	}
	return v
}
