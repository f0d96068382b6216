package edits

// window is the last AnchorSize bytes of a stream with their Adler-32 (RFC
// 1950 section 8.2), kept as the two sums that a step forward can mend: the
// window is far too short for either to reach the modulus 65521 unreduced in
// 32 bits, so they are reduced only when the value is asked for.
type window struct {
	ring [2 * AnchorSize]byte // every byte is stored twice, so that the window is always one slice
	next int
	full bool
	a, b uint32 // sum of the bytes; sum of the bytes weighted by AnchorSize for the oldest down to 1
}

// push adds a byte and reports whether the window is full.
func (w *window) push(c byte) bool {
	old := w.ring[w.next]
	w.ring[w.next], w.ring[w.next+AnchorSize] = c, c
	if w.full {
		w.b += w.a - (AnchorSize+1)*uint32(old) + uint32(c)
		w.a += uint32(c) - uint32(old)
	} else {
		w.a += uint32(c)
		w.b += uint32(AnchorSize-w.next) * uint32(c)
	}
	if w.next++; w.next == AnchorSize {
		w.next, w.full = 0, true
	}
	return w.full
}

func (w *window) sum() uint32 {
	const mod = 65521
	return (w.b+AnchorSize)%mod<<16 | (w.a+1)%mod
}

func (w *window) bytes() []byte { return w.ring[w.next : w.next+AnchorSize] }
