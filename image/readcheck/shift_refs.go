package readcheck

import "slices"

// Jumps, calls and LEA count from where they stand. Across a place where a
// byte was lost they lead one byte beside what they mean: into an instruction,
// or to the second byte of a text. No function needs to be called from both
// sides for that; the jumps inside one function are enough.

// refVotes counts places that are referred to across a place: those at which
// nothing fitting stands as it is and something does once what is behind is
// taken back, and those where it is the other way round. Each counts once from
// either side.
type refVotes struct {
	yes, no int
	jumps   int         // those of yes that jumps refer to
	near    [2]nearRefs // in front and behind
}

// nearRefs is what the jumps and calls near a place say of the code there,
// those across it left out.
type nearRefs struct {
	fit, not int
	codes    map[byte]bool // first bytes of those that lead to an instruction
}

const (
	nearFit   = 20 // jumps and calls on either side of a place that lead to instructions, while none leads elsewhere
	nearCodes = 4  // different first bytes that they have
)

// clean reports whether both sides are code beyond doubt, in which no jump leads
// beside an instruction. What looks like jumps in tables and pictures is of few
// kinds, and no text holds calls or jumps without a condition.
func (v refVotes) clean() bool {
	for _, n := range v.near {
		always := n.codes[0xE8] || n.codes[0xE9] || n.codes[0xEB]
		if n.fit < nearFit || n.not > 0 || len(n.codes) < nearCodes || !always {
			return false
		}
	}
	return true
}

const (
	refGrain  = 16   // bytes between the places that are tried
	nearReach = 1024 // bytes on either side that are near
	resync    = 24   // bytes behind a lost one in which instructions are read wrong
)

// across returns between which places one of the two ends of r lies in front
// and the other behind: from < place <= to.
func (r codeRef) across() (from, to int) {
	return int(min(r.at, r.to)), int(max(r.at, r.to)) - resync
}

// says is what r says for a move of all that stands behind some place which it
// crosses: 1 for it, -1 against it, 0 if it says nothing.
func (s *codeSweep) says(r codeRef, move int) int {
	back := int(r.to) + move
	if r.to < r.at {
		back = int(r.to) - move
	}
	as, taken := s.fits(r.kind, int(r.to)), s.fits(r.kind, back)
	switch {
	case as == taken:
		return 0
	case taken:
		return 1
	}
	return -1
}

// farthest returns the references of s, for each place referred to only the
// farthest from either side.
func (s *codeSweep) farthest() []codeRef {
	var list []codeRef
	seen := newPlaces(len(s.data))
	for _, r := range s.refs {
		if r.to > r.at && seen.add(r.to) {
			list = append(list, r)
		}
	}
	clear(seen)
	for _, r := range slices.Backward(s.refs) {
		if r.to < r.at && seen.add(r.to) {
			list = append(list, r)
		}
	}
	return list
}

// refShift returns the likeliest shift by the references, and what they say:
// more than callOdds times as many for it as against it, or none.
func (s *codeSweep) refShift() (shift, refVotes) {
	list := s.farthest()
	var sh shift
	best := int32(0)
	for _, move := range []int{-1, 1} {
		for i, sum := range s.sums(list, move) {
			switch at := i * refGrain; {
			case sum > best:
				best, sh = sum, shift{move: move, sure: true, from: at, to: at}
			case sum == best && sh.to == at-refGrain && sh.move == move:
				sh.to = at
			}
		}
	}
	if best == 0 {
		return sh, refVotes{}
	}
	return sh, s.votesOfRefs(list, sh)
}

// sums returns for every multiple of refGrain how many of refs that cross it
// speak for a move behind it, less callOdds for each that speaks against it.
func (s *codeSweep) sums(refs []codeRef, move int) []int32 {
	list := make([]int32, len(s.data)/refGrain+3) // at first by how much the sum changes there
	for _, r := range refs {
		w := int32(s.says(r, move))
		if w < 0 {
			w *= callOdds
		}
		if from, to := r.across(); from < to {
			list[from/refGrain+1] += w
			list[to/refGrain+1] -= w
		}
	}
	for i := 1; i < len(list); i++ {
		list[i] += list[i-1]
	}
	return list
}

// votesOfRefs asks refs about a shift.
func (s *codeSweep) votesOfRefs(refs []codeRef, sh shift) refVotes {
	var v refVotes
	for i := range v.near {
		v.near[i].codes = map[byte]bool{}
	}
	for _, r := range refs {
		if from, to := r.across(); from < sh.from && sh.from <= to {
			switch s.says(r, sh.move) {
			case 1:
				v.yes++
				if r.kind == refJump {
					v.jumps++
				}
			case -1:
				v.no++
			}
			continue
		}
		n := &v.near[0]
		switch first, last := int(min(r.at, r.to)), int(max(r.at, r.to)); {
		case r.kind == refData || int(r.at) <= sh.from-nearReach || int(r.at) >= sh.to+nearReach:
			continue
		case first >= sh.to+refGrain+resync:
			n = &v.near[1]
		case last >= sh.from:
			continue
		}
		if s.fits(r.kind, int(r.to)) {
			n.fit++
			n.codes[s.data[r.at]] = true
		} else {
			n.not++
		}
	}
	return v
}
