package readcheck

// Compilers begin functions at multiples of 16 in x86 code, unless they are to
// save space, and pad what lies between. A call behind a lost byte leads to one
// byte beside, whatever it calls; no call across the place is needed, nor any
// code in front of it.

// functionGrain is what the addresses of functions are multiples of: Intel 64
// and IA-32 Architectures Optimization Reference Manual, on the alignment of code.
const functionGrain = 16

// alignVotes counts places behind some other: those one byte beside multiples
// of what they should be multiples of, those at such multiples, and all.
type alignVotes struct{ yes, no, all int }

func (v alignVotes) points() int { return v.yes - callOdds*v.no }

// alignedFrom returns from where on places lie one byte beside multiples of
// grain in the direction of move, and what they say: more than callOdds times as
// many for it as against it, or none. The places belong to what
// stands at at, in order; offset 0 is address start.
func alignedFrom(at, places []int32, start uint64, grain, move int) (shift, alignVotes) {
	var sh shift
	var v, best alignVotes
	for i := len(at) - 1; i >= 0; i-- {
		v.all++
		switch (int(start%uint64(grain)) + int(places[i])) % grain {
		case 0:
			v.no++
		case (move + grain) % grain:
			v.yes++
		}
		if v.points() > best.points() {
			best = v
			sh = shift{move: move, sure: true, to: int(at[i])}
			if i > 0 {
				sh.from = int(at[i-1])
			}
		}
	}
	return sh, best
}

// alignShift returns the likeliest shift by where calls lead to, and what they
// say. The code stands from address start on.
func (s *codeSweep) alignShift(start uint64) (shift, alignVotes) {
	var at, to []int32
	seen := newPlaces(len(s.data))
	for _, r := range s.refs {
		if r.kind == refCall && seen.add(r.to) {
			at, to = append(at, r.at), append(to, r.to)
		}
	}
	sh, v := alignedFrom(at, to, start, functionGrain, -1)
	if other, o := alignedFrom(at, to, start, functionGrain, 1); o.points() > v.points() {
		return other, o
	}
	return sh, v
}
