//go:build !amd64 || purego

package checksum

// haveAVX2 is what tests turn off where there is something to turn off.
var haveAVX2 = false

func addColumnsFast(columns *[8]uint64, rows []byte) int { return 0 }

func weighColumnsFast(sum, weighted *[8]uint64, rows []byte) int { return 0 }
