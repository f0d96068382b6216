package readcheck

// Compilers begin functions at multiples of 16 in x86 code, unless they are to
// save space, and pad what lies between. A call behind a lost byte leads to one
// byte beside, whatever it calls; no call across the place is needed, nor any
// code in front of it.

// functionGrain is what the addresses of functions are multiples of: Intel 64
// and IA-32 Architectures Optimization Reference Manual, on the alignment of code.
const functionGrain = 16

// alignVotes counts the places called from behind a place: those one byte
// beside multiples of 16, those at multiples of 16, and all.
type alignVotes struct{ yes, no, all int }

// alignShift returns the likeliest shift by where calls lead to, and what they
// say. The code stands from address start on.
func (s *codeSweep) alignShift(start uint64) (shift, alignVotes) {
	var calls []call
	seen := newPlaces(len(s.data))
	for _, r := range s.refs {
		if r.kind == refCall && seen.add(r.to) {
			calls = append(calls, call{r.at, r.to})
		}
	}
	var sh shift
	var votes alignVotes
	best := 0
	for _, move := range []int{-1, 1} {
		var v alignVotes
		sum := 0
		for i := len(calls) - 1; i >= 0; i-- {
			v.all++
			switch (int(start%functionGrain) + int(calls[i].to)) % functionGrain {
			case 0:
				v.no++
				sum -= callOdds
			case (move + functionGrain) % functionGrain:
				v.yes++
				sum++
			}
			if sum > best {
				best, votes = sum, v
				sh = shift{move: move, sure: true, to: int(calls[i].at)}
				if i > 0 {
					sh.from = int(calls[i-1].at)
				}
			}
		}
	}
	return sh, votes
}
