//go:build !unix

package archive

// nonblocking is of no use where a folder holds no named pipes.
const nonblocking = 0
