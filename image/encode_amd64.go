//go:build !purego

package image

// encodeBlocks is encodeHex for the first n bytes, which are all whole blocks
// of 16. It does not check that dst has the room. SSE2, which every amd64
// processor has, is enough for it.
//
//go:noescape
func encodeBlocks(dst, data []byte) (n int, sum byte)
