package checksum

import (
	"fmt"
	"math/bits"
)

// fletcher computes Fletcher's checksums and Adler-32, which is one over bytes
// with another modulus and start. Over words d1..dn
//
//	low  = start + d1 + ... + dn
//	high = n*start + n*d1 + (n-1)*d2 + ... + dn
//
// both reduced to 0..modulus-1. A last word that is short is padded with
// zeros. The value is high and low side by side, high first.
type fletcher struct {
	name      string
	width     int    // bits of the value, half of them for each of the two
	wordSize  int    // bytes: 1, 2, 4
	bigEndian bool   // order of the bytes in a word
	modulus   uint64 // at most 2^32-1
	start     uint64
}

func (f *fletcher) String() string {
	word := SumParams{WordSize: f.wordSize, BigEndian: f.bigEndian}.word()
	s := fmt.Sprintf("width=%d word=%s modulus=%d start=%d", f.width, word, f.modulus, f.start)
	if f.wordSize > 1 {
		s += " pad=0x00"
	}
	return s
}

// fletcherState is the two sums, each below the modulus.
type fletcherState struct{ low, high uint64 }

func (f *fletcher) value(s fletcherState) Value {
	return NewValue(f.width, s.high<<(f.width/2)|s.low)
}

// state takes a value apart. Sums that are not reduced, as no message gives
// them, are reduced.
func (f *fletcher) state(v Value) fletcherState {
	n := v.low
	return fletcherState{low: n & lowBits(f.width/2) % f.modulus, high: n >> (f.width / 2) % f.modulus}
}

// append returns the state after s and then n words that give t from a start
// of 0.
func (f *fletcher) append(s, t fletcherState, n uint64) fletcherState {
	return fletcherState{
		low:  (s.low + t.low) % f.modulus,
		high: (s.high + f.times(n, s.low) + t.high) % f.modulus,
	}
}

// times returns a*b reduced.
func (f *fletcher) times(a, b uint64) uint64 {
	hi, lo := bits.Mul64(a, b)
	return bits.Rem64(hi, lo, f.modulus)
}

// words returns the number of words of a message of n bytes.
func (f *fletcher) words(n uint64) uint64 {
	size := uint64(f.wordSize)
	return n/size + (n%size+size-1)/size
}

// rows returns the state after s and whole rows of 8 bytes.
func (f *fletcher) rows(s fletcherState, rows []byte) fletcherState {
	perRow := 8 / f.wordSize
	for len(rows) > 0 {
		block := rows[:min(len(rows), maxWeighed)]
		rows = rows[len(block):]
		sum, weighted := weighColumns(block)
		var t fletcherState
		for i := range sum {
			// The words of a row count from its last row on perRow times as
			// often as the row, less the words before them in the row. The
			// sum over the columns stays below 2^62, see maxWeighed.
			weight := f.shift(i)
			t.low += sum[i] << weight
			t.high += (uint64(perRow)*weighted[i] - uint64(i/f.wordSize)*sum[i]) << weight
		}
		t.low %= f.modulus
		s = f.append(s, t, uint64(len(block)/f.wordSize))
	}
	return s
}

func (f *fletcher) shift(i int) int { return shift(i, f.wordSize, f.bigEndian) }

// tail returns the state after s and fewer than 8 bytes, padded to a word.
func (f *fletcher) tail(s fletcherState, data []byte) fletcherState {
	var row [8]byte
	copy(row[:], data)
	for i := 0; i < len(data); i += f.wordSize {
		var word uint64
		for j := i; j < i+f.wordSize; j++ {
			word += uint64(row[j]) << f.shift(j)
		}
		s = f.append(s, fletcherState{word % f.modulus, word % f.modulus}, 1)
	}
	return s
}

func (f *fletcher) newHash() Hash { return &fletcherHash{f: f, state: fletcherState{low: f.start}} }

func (f *fletcher) checksum(data []byte) Value {
	whole := len(data) &^ 7
	return f.value(f.tail(f.rows(fletcherState{low: f.start}, data[:whole]), data[whole:]))
}

func (f *fletcher) resume(sum Value) (Hash, error) {
	return &fletcherHash{f: f, state: f.state(sum)}, nil
}

func (f *fletcher) combine(sumA, sumB Value, lenB uint64) (Value, error) {
	n, b := f.words(lenB), f.state(sumB)
	b.low = (b.low + f.modulus - f.start) % f.modulus
	b.high = (b.high + f.modulus - f.times(n, f.start)) % f.modulus
	return f.value(f.append(f.state(sumA), b, n)), nil
}

func (f *fletcher) appendRun(sum Value, b byte, n uint64) (Value, error) {
	return runByDoubling(f, f.wordSize, sum, b, n)
}

func (f *fletcher) patched(old Value, total, offset uint64, before, after []byte) (Value, error) {
	s, size := f.state(old), uint64(f.wordSize)
	words := f.words(total)
	for i := range before {
		at := offset + uint64(i)
		// The difference of two bytes may be negative: add a multiple of the
		// modulus that keeps it from being so.
		weight := f.shift(int(at % size))
		diff := (uint64(after[i])<<weight + f.modulus*256 - uint64(before[i])<<weight) % f.modulus
		s.low = (s.low + diff) % f.modulus
		s.high = (s.high + f.times(diff, words-at/size)) % f.modulus
	}
	return f.value(s), nil
}

// fletcherHash keeps fewer than 8 bytes back until the row is full.
type fletcherHash struct {
	f     *fletcher
	state fletcherState
	row   [8]byte
	held  int // bytes in row
}

func (h *fletcherHash) Write(p []byte) (int, error) {
	n := len(p)
	if h.held > 0 {
		took := copy(h.row[h.held:], p)
		h.held += took
		p = p[took:]
		if h.held < 8 {
			return n, nil
		}
		h.state = h.f.rows(h.state, h.row[:])
	}
	whole := len(p) &^ 7
	h.state = h.f.rows(h.state, p[:whole])
	h.held = copy(h.row[:], p[whole:])
	return n, nil
}

func (h *fletcherHash) Value() Value        { return h.f.value(h.f.tail(h.state, h.row[:h.held])) }
func (h *fletcherHash) Sum(b []byte) []byte { return h.Value().appendTo(b) }
func (h *fletcherHash) Reset()              { *h = fletcherHash{f: h.f, state: fletcherState{low: h.f.start}} }
func (h *fletcherHash) Size() int           { return h.f.width / 8 }
func (h *fletcherHash) BlockSize() int      { return h.f.wordSize }
