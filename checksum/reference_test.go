package checksum_test

import (
	"math/big"

	"example.com/calproof/checksum"
)

// This file holds the plain definitions that the package is tested against:
// one bit, or one word, at a time.

// bitwiseCRC is the model of Greg Cook's catalogue, to the letter.
func bitwiseCRC(p checksum.CRCParams, data []byte) checksum.Value {
	if p.Width > 64 {
		return bitwiseWideCRC(p, data)
	}
	w := p.Width
	mask := ^uint64(0) >> (64 - w)
	poly, _ := p.Poly.Uint64()
	reg, _ := p.Init.Uint64()
	xorOut, _ := p.XorOut.Uint64()
	for _, b := range data {
		for i := range 8 {
			bit := b >> (7 - i) & 1
			if p.RefIn {
				bit = b >> i & 1
			}
			top := reg>>(w-1)&1 ^ uint64(bit)
			reg = reg << 1 & mask
			if top != 0 {
				reg ^= poly
			}
		}
	}
	if p.RefOut {
		var r uint64
		for i := range w {
			r |= reg >> i & 1 << (w - 1 - i)
		}
		reg = r
	}
	return checksum.NewValue(w, reg^xorOut)
}

func bitwiseWideCRC(p checksum.CRCParams, data []byte) checksum.Value {
	number := func(v checksum.Value) *big.Int { return new(big.Int).SetBytes(v.Bytes()) }
	reg, poly := number(p.Init), number(p.Poly)
	for _, b := range data {
		for i := range 8 {
			bit := b >> (7 - i) & 1
			if p.RefIn {
				bit = b >> i & 1
			}
			top := reg.Bit(p.Width-1) ^ uint(bit)
			reg.Lsh(reg, 1)
			reg.SetBit(reg, p.Width, 0)
			if top != 0 {
				reg.Xor(reg, poly)
			}
		}
	}
	if p.RefOut {
		r := new(big.Int)
		for i := range p.Width {
			r.SetBit(r, p.Width-1-i, reg.Bit(i))
		}
		reg = r
	}
	reg.Xor(reg, number(p.XorOut))
	v, err := checksum.ValueFromBytes(p.Width, reg.FillBytes(make([]byte, (p.Width+7)/8)))
	if err != nil {
		panic(err)
	}
	return v
}

// referenceSum adds word by word to a number without bounds.
func referenceSum(p checksum.SumParams, data []byte) checksum.Value {
	n := len(data)
	data = append([]byte(nil), data...)
	for len(data)%p.WordSize != 0 {
		data = append(data, p.Pad)
	}
	limit := new(big.Int).Lsh(big.NewInt(1), uint(p.Width))
	acc := new(big.Int).SetUint64(p.Init)
	take := func(word *big.Int) {
		switch p.Op {
		case checksum.OpAdd:
			acc.Add(acc, word)
			acc.Mod(acc, limit)
		case checksum.OpCarry:
			acc.Add(acc, word)
			for acc.Cmp(limit) >= 0 {
				acc.Sub(acc, limit)
				acc.Add(acc, big.NewInt(1))
			}
		case checksum.OpXor:
			acc.Xor(acc, word)
		}
	}
	for i := 0; i < len(data); i += p.WordSize {
		word := append([]byte(nil), data[i:i+p.WordSize]...)
		if !p.BigEndian {
			for a, b := 0, len(word)-1; a < b; a, b = a+1, b-1 {
				word[a], word[b] = word[b], word[a]
			}
		}
		take(new(big.Int).SetBytes(word))
	}
	if p.AddLength {
		take(big.NewInt(int64(n)))
	}
	switch p.Form {
	case checksum.FormOnes:
		acc.Sub(limit, acc)
		acc.Sub(acc, big.NewInt(1))
	case checksum.FormTwos:
		acc.Sub(limit, acc)
		acc.Mod(acc, limit)
	}
	return checksum.NewValue(p.Width, acc.Uint64()^p.XorOut)
}

// referenceFletcher reduces after every word.
func referenceFletcher(width, wordSize int, bigEndian bool, modulus, start uint64, data []byte) checksum.Value {
	low, high := start, uint64(0)
	for i := 0; i < len(data); i += wordSize {
		var word uint64
		for j := range wordSize {
			var b byte
			if i+j < len(data) {
				b = data[i+j]
			}
			if bigEndian {
				word = word<<8 | uint64(b)
			} else {
				word |= uint64(b) << (8 * j)
			}
		}
		low = (low + word) % modulus
		high = (high + low) % modulus
	}
	return checksum.NewValue(width, high<<(width/2)|low)
}
