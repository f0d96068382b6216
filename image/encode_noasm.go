//go:build !amd64 || purego

package image

import "encoding/binary"

// encodeBlocks is encodeHex for the first n bytes, which are all whole blocks
// of 16.
func encodeBlocks(dst, data []byte) (n int, sum byte) {
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
