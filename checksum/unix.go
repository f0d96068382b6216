package checksum

import "math/bits"

// bsdSum is "sum -r": the 16-bit accumulator is rotated right by one bit
// before each byte is added modulo 2^16. Rotation and addition do not
// commute, so nothing can be said about parts of a message.
type bsdSum struct{}

func (bsdSum) update(acc uint16, data []byte) uint16 {
	for _, b := range data {
		acc = bits.RotateLeft16(acc, -1) + uint16(b)
	}
	return acc
}

func (r bsdSum) newHash() Hash { return new(bsdHash) }

func (r bsdSum) checksum(data []byte) Value { return NewValue(16, uint64(r.update(0, data))) }

func (bsdSum) resume(sum Value) (Hash, error) { return &bsdHash{uint16(sum.low)}, nil }

func (bsdSum) combine(Value, Value, uint64) (Value, error) {
	return Value{}, cannot("its rotated sums cannot be combined")
}

func (bsdSum) appendRun(Value, byte, uint64) (Value, error) {
	return Value{}, cannot("its rotated sums have no shortcut for a run of bytes")
}

func (bsdSum) patched(Value, uint64, uint64, []byte, []byte) (Value, error) {
	return Value{}, cannot("its rotated sum does not tell what a patch changes")
}

type bsdHash struct{ acc uint16 }

func (h *bsdHash) Write(p []byte) (int, error) {
	h.acc = bsdSum{}.update(h.acc, p)
	return len(p), nil
}

func (h *bsdHash) Value() Value        { return NewValue(16, uint64(h.acc)) }
func (h *bsdHash) Sum(b []byte) []byte { return h.Value().appendTo(b) }
func (h *bsdHash) Reset()              { h.acc = 0 }
func (h *bsdHash) Size() int           { return 2 }
func (h *bsdHash) BlockSize() int      { return 1 }

// sysvSum is "sum -s": bytes are added modulo 2^32, then the sum is folded
// twice to 16 bits. As long as the 32 bits do not overflow, folding is the
// same as adding with end-around carry in 16 bits.
type sysvSum struct{}

// maxSysVBytes is the length up to which no message overflows the 32 bits.
const maxSysVBytes = (1<<32 - 1) / 255

func (r sysvSum) newHash() Hash { return new(sysvHash) }

func (r sysvSum) checksum(data []byte) Value {
	var h sysvHash
	h.Write(data)
	return h.Value()
}

func (sysvSum) resume(Value) (Hash, error) {
	return nil, cannot("its 16 bits do not tell the sum of 32 bits they were folded from")
}

func (sysvSum) combine(Value, Value, uint64) (Value, error) {
	return Value{}, cannot("its 16 bits do not tell the sum of 32 bits they were folded from")
}

func (sysvSum) appendRun(Value, byte, uint64) (Value, error) {
	return Value{}, cannot("its 16 bits do not tell the sum of 32 bits they were folded from")
}

func (sysvSum) patched(old Value, total, offset uint64, before, after []byte) (Value, error) {
	if total > maxSysVBytes {
		return Value{}, cannot("its sum of 32 bits may have overflowed in more than 16843009 bytes")
	}
	carrying := &wordSum{SumParams{Width: 16, WordSize: 1, Op: OpCarry, Form: FormPlain}}
	return carrying.patched(old, total, offset, before, after)
}

type sysvHash struct{ sum wordSumHash }

// sysvBytes adds bytes modulo 2^32.
var sysvBytes = &wordSum{SumParams{Width: 32, WordSize: 1, Op: OpAdd, Form: FormPlain}}

func (h *sysvHash) Write(p []byte) (int, error) {
	h.sum.s = sysvBytes
	return h.sum.Write(p)
}

func (h *sysvHash) Value() Value {
	h.sum.s = sysvBytes
	s := h.sum.words()
	s = s&0xFFFF + s>>16
	return NewValue(16, s&0xFFFF+s>>16)
}

func (h *sysvHash) Sum(b []byte) []byte { return h.Value().appendTo(b) }
func (h *sysvHash) Reset()              { *h = sysvHash{} }
func (h *sysvHash) Size() int           { return 2 }
func (h *sysvHash) BlockSize() int      { return 1 }

// posixCksum is the POSIX tool cksum: CRC-32/CKSUM of the message followed by
// its length in bytes, least significant byte first, without leading zeros.
type posixCksum struct{ crc *crc }

func lengthBytes(n uint64) []byte {
	var b []byte
	for ; n > 0; n >>= 8 {
		b = append(b, byte(n))
	}
	return b
}

func (r posixCksum) newHash() Hash { return &posixHash{crcHash: crcHash{c: r.crc, reg: r.crc.start}} }

func (r posixCksum) checksum(data []byte) Value {
	h := r.newHash()
	h.Write(data)
	return h.Value()
}

func (posixCksum) resume(Value) (Hash, error) {
	return nil, cannot("the length of what came before is part of its value")
}

func (posixCksum) combine(Value, Value, uint64) (Value, error) {
	return Value{}, cannot("the length of the first part is part of its value; combine with CRC-32/CKSUM")
}

func (posixCksum) appendRun(Value, byte, uint64) (Value, error) {
	return Value{}, cannot("the length of what came before is part of its value; use CRC-32/CKSUM")
}

func (r posixCksum) patched(old Value, total, offset uint64, before, after []byte) (Value, error) {
	rest := total - offset - uint64(len(before))
	n := uint64(len(lengthBytes(total)))
	if rest+n < rest {
		return Value{}, cannot("the message is too long")
	}
	return r.crc.patchedBefore(old, rest+n, before, after), nil
}

type posixHash struct {
	crcHash
	length uint64
}

func (h *posixHash) Write(p []byte) (int, error) {
	h.length += uint64(len(p))
	return h.crcHash.Write(p)
}

func (h *posixHash) Value() Value {
	return h.c.value(h.c.engine.update(h.reg, lengthBytes(h.length)))
}

func (h *posixHash) Sum(b []byte) []byte { return h.Value().appendTo(b) }

func (h *posixHash) Reset() {
	h.crcHash.Reset()
	h.length = 0
}
