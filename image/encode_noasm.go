//go:build !amd64 || purego

package image

import "encoding/binary"

// encodeBlocks writes the digit pairs of the lowest size bytes of head, the
// lowest first, and of the first n bytes of data, which are all its whole blocks
// of 16. It returns n and the sum modulo 256.
func encodeBlocks(dst []byte, head uint64, size int, data []byte) (n int, sum byte) {
	for i := range size {
		b := byte(head >> (8 * i))
		binary.LittleEndian.PutUint16(dst[2*i:], hexPairs[b])
		sum += b
	}
	dst = dst[2*size:]
	for ; len(data) >= 16 && len(dst) >= 32; n += 16 {
		in, out := (*[16]byte)(data), (*[32]byte)(dst)
		for i, b := range in {
			binary.LittleEndian.PutUint16(out[2*i:], hexPairs[b])
			sum += b
		}
		data, dst = data[16:], dst[32:]
	}
	return n, sum
}
