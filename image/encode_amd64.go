//go:build !purego

package image

// encodeBlocks writes the digit pairs of the lowest size bytes of head, the
// lowest first, and of the first n bytes of data, which are all its whole blocks
// of 16. It returns n and the sum modulo 256. The other bytes of head must be 0.
//
// It does not check that dst has the room: that for data, and 16 characters for
// head if size is not 0. SSE2, which every amd64 processor has, is enough for it.
//
//go:noescape
func encodeBlocks(dst []byte, head uint64, size int, data []byte) (n int, sum byte)
