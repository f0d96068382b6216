package faults

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
)

// Synth makes an image of size bytes, a power of two, that looks like a
// controller's memory: 32-bit instructions drawn from a small vocabulary,
// vectors, text, tables of 16-bit values, erased stretches between.
func Synth(r *rand.Rand, size int) []byte {
	out := make([]byte, 0, size)
	vocab := make([]uint32, 400)
	for i := range vocab {
		vocab[i] = uint32(r.IntN(40))<<26 | uint32(r.IntN(1<<21))<<5 | uint32(r.IntN(32))
	}
	word := func() uint32 {
		// Few instructions are common, most are rare.
		return vocab[int(float64(len(vocab))*math.Pow(r.Float64(), 3))]
	}
	for range 32 { // vectors
		out = binary.BigEndian.AppendUint32(out, 0x48000000|uint32(r.IntN(size/4))<<2)
	}
	for len(out) < size {
		room := size - len(out)
		switch r.IntN(8) {
		case 0: // text
			for i := range 20 + r.IntN(40) {
				out = fmt.Appendf(out, "%s %d: sensor %s\x00", words[r.IntN(len(words))], i, words[r.IntN(len(words))])
			}
		case 1, 2: // table
			v := r.IntN(4000)
			for range 64 + r.IntN(512) {
				v = max(v+r.IntN(61)-30, 0)
				out = binary.BigEndian.AppendUint16(out, uint16(v))
			}
		case 3: // erased up to the next 256 bytes
			for len(out)%256 != 0 {
				out = append(out, 0xFF)
			}
		default: // instructions, every third with an address or a value of its own
			for range min(256+r.IntN(2048), room/4+1) {
				w := word()
				if r.IntN(3) == 0 {
					w = w&^0xFFFF | uint32(r.IntN(1<<16))
				}
				out = binary.BigEndian.AppendUint32(out, w)
			}
		}
		for len(out)%4 != 0 {
			out = append(out, 0)
		}
	}
	return out[:size]
}

var words = []string{
	"pressure", "coolant", "throttle", "blade", "tiller", "winch", "track", "boost", "idle", "battery",
	"heater", "gear", "hydraulic", "steering", "limit", "warm-up", "start", "engine", "torque", "lamp",
}
