package maps

import (
	"cmp"
	"errors"
	"fmt"
	"math/big"
	"slices"

	"example.com/calproof/checksum"
)

// rebalance returns the bytes of in's cell with which the rule reaches its
// target; value gives that of the rule for other bytes in the cell. How each
// byte of the cell counts is measured, by changing it: no other knowledge of
// words, masks and repetitions is needed.
func (in instance) rebalance(value func(cell []byte) (checksum.Value, error)) ([]byte, error) {
	n := int(in.cell.Size)
	alg := in.rule.alg
	target, err := in.rule.Target.value(alg.Width())
	if err != nil {
		return nil, err
	}
	params, isSum := alg.Sum()
	_, isCRC := alg.CRC()
	switch {
	case isCRC || isSum && params.Op == checksum.OpXor:
		return solveXor(n, target, value)
	case isSum:
		return solveSum(n, target, params, value)
	}
	return nil, fmt.Errorf("no cell can be computed for %s; only sums and CRCs can be rebalanced", alg.Name())
}

var errOutOfReach = errors.New("no content of the cell reaches the target; the map has to name a larger cell")

// solveSum finds the cell of an additive sum. Bytes with the greatest weight
// take as much of what is missing as they can.
func solveSum(n int, target checksum.Value, p checksum.SumParams, value func([]byte) (checksum.Value, error)) ([]byte, error) {
	modulus := new(big.Int).Lsh(big.NewInt(1), uint(p.Width))
	if p.Op == checksum.OpCarry {
		modulus.Sub(modulus, big.NewInt(1))
	}
	sumWith := func(cell []byte) (*big.Int, error) {
		v, err := value(cell)
		return accumulator(p, v), err
	}
	zero, err := sumWith(make([]byte, n))
	if err != nil {
		return nil, err
	}
	type weighted struct {
		at     int
		weight *big.Int
	}
	var weights []weighted
	for i := range n {
		cell := make([]byte, n)
		cell[i] = 1
		one, err := sumWith(cell)
		if err != nil {
			return nil, err
		}
		w := one.Sub(one, zero)
		if w.Mod(w, modulus); w.Sign() > 0 {
			weights = append(weights, weighted{i, w})
		}
	}
	slices.SortStableFunc(weights, func(a, b weighted) int { return b.weight.Cmp(a.weight) })
	// The sum of the cell may go round the modulus; each try asks for one round more.
	missing := accumulator(p, target)
	missing.Sub(missing, zero).Mod(missing, modulus)
	for range maxRounds {
		cell, left := make([]byte, n), new(big.Int).Set(missing)
		for _, w := range weights {
			count := new(big.Int).Div(left, w.weight)
			if count.Cmp(big.NewInt(255)) > 0 {
				count.SetInt64(255)
			}
			cell[w.at] = byte(count.Int64())
			left.Sub(left, count.Mul(count, w.weight))
		}
		if left.Sign() == 0 {
			return cell, nil
		}
		missing.Add(missing, modulus)
	}
	return nil, errOutOfReach
}

// maxRounds is how often the sum of a cell may go round the modulus. A byte
// that counts k times in an 8-bit sum needs fewer than k rounds.
const maxRounds = 1024

// accumulator undoes the final XOR and the form of a sum.
func accumulator(p checksum.SumParams, v checksum.Value) *big.Int {
	n := valueNumber(v)
	n.Xor(n, new(big.Int).SetUint64(p.XorOut))
	switch p.Form {
	case checksum.FormOnes:
		n.Xor(n, bitMask(p.Width))
	case checksum.FormTwos:
		n.Neg(n).And(n, bitMask(p.Width))
	}
	return n
}

// solveXor finds the cell of an algorithm in which every bit flips a fixed set
// of bits of the result (XOR sums, CRCs), by elimination over GF(2).
func solveXor(n int, target checksum.Value, value func([]byte) (checksum.Value, error)) ([]byte, error) {
	base, err := value(make([]byte, n))
	if err != nil {
		return nil, err
	}
	type row struct {
		flips *big.Int // bits of the result
		bits  *big.Int // bits of the cell that flip them together
	}
	var rows []row // each with a leading bit of its own, the highest first
	reduce := func(r row) row {
		for _, known := range rows {
			if r.flips.Bit(known.flips.BitLen()-1) == 1 {
				r.flips.Xor(r.flips, known.flips)
				r.bits.Xor(r.bits, known.bits)
			}
		}
		return r
	}
	for bit := range 8 * n {
		cell := make([]byte, n)
		cell[bit/8] = 1 << (bit % 8)
		v, err := value(cell)
		if err != nil {
			return nil, err
		}
		r := reduce(row{new(big.Int).Xor(valueNumber(v), valueNumber(base)), new(big.Int).SetBit(new(big.Int), bit, 1)})
		if r.flips.Sign() == 0 {
			continue
		}
		rows = append(rows, r)
		slices.SortFunc(rows, func(a, b row) int { return cmp.Compare(b.flips.BitLen(), a.flips.BitLen()) })
	}
	left := reduce(row{new(big.Int).Xor(valueNumber(target), valueNumber(base)), new(big.Int)})
	if left.flips.Sign() != 0 {
		return nil, errOutOfReach
	}
	cell := make([]byte, n)
	for bit := range 8 * n {
		cell[bit/8] |= byte(left.bits.Bit(bit) << (bit % 8))
	}
	return cell, nil
}
