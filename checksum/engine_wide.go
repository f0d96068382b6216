package checksum

import "sync"

// wideEngine serves CRCs of 65 to 128 bits, a byte at a time. The register has
// 128 bits and is aligned as in engine64: at the top, or at the bottom if
// reflected.
type wideEngine struct {
	width     int
	poly      u128 // lifted to 128 bits, without its top term; reversed if reflected
	reflected bool

	once  sync.Once // builds table at first use
	table *[256]u128
}

func newWideEngine(width int, poly u128, reflected bool) *wideEngine {
	e := &wideEngine{width: width, reflected: reflected}
	e.poly = e.load(poly)
	return e
}

func (e *wideEngine) load(poly u128) u128 {
	if e.reflected {
		return poly.reverse(e.width)
	}
	return poly.shl(128 - e.width)
}

func (e *wideEngine) store(reg u128) u128 {
	if e.reflected {
		return reg.reverse(e.width)
	}
	return reg.shr(128 - e.width)
}

func (e *wideEngine) update(r u128, data []byte) u128 {
	e.once.Do(e.makeTable)
	if e.reflected {
		for _, b := range data {
			r = r.shr(8).xor(e.table[byte(r.lo)^b])
		}
		return r
	}
	for _, b := range data {
		r = r.shl(8).xor(e.table[byte(r.hi>>56)^b])
	}
	return r
}

// makeTable computes what each byte gives from a register of zeros.
func (e *wideEngine) makeTable() {
	e.table = new([256]u128)
	for b := range uint64(256) {
		r := u128{lo: b}
		if !e.reflected {
			r = u128{hi: b << 56}
		}
		for range 8 {
			var out uint64
			if e.reflected {
				out, r = r.bit(0), r.shr(1)
			} else {
				out, r = r.bit(127), r.shl(1)
			}
			if out != 0 {
				r = r.xor(e.poly)
			}
		}
		e.table[b] = r
	}
}
