package readcheck

import (
	"math"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// A byte lost or doubled mid-way moves everything after it by one, up to the
// end of the image. Five things tell, without a map:
//
//   - x86 calls, which count from where they stand (shift_calls.go);
//   - whatever else in x86 code counts from there: jumps and the addresses of
//     texts, once the code is read instruction by instruction (shift_refs.go);
//   - that functions of x86 code begin at multiples of 16 (shift_align.go);
//   - that the instructions of other processors stand at multiples of their
//     size, of which those that end functions are known (shift_returns.go);
//   - the phases of short patterns: most content keeps to words, so that a
//     pattern stands at even offsets in front of the place and at odd ones
//     behind it (shift_grams.go).
//
// Content with none of them, such as compressed data, shows no shift.

// shift is a place behind which the content is moved.
type shift struct {
	move     int // -1: a byte was lost, +1: a byte was doubled
	sure     bool
	from, to int // offsets between which it happened, as far as is known
}

func (s shift) what() string {
	switch {
	case !s.sure:
		return "lost or doubled"
	case s.move < 0:
		return "lost"
	}
	return "doubled"
}

// checkShift looks for a byte lost or doubled mid-way.
func (x *examiner) checkShift() {
	for _, s := range x.c.spans {
		if len(s.data) > math.MaxInt32 {
			continue
		}
		calls := callsOf(s.data)
		if sh, v := callShift(calls); v.yes >= x.lim.shiftCalls && v.yes >= callOdds*v.no {
			x.found(CodeShifted, evidence.Caution, behind(s, sh),
				"calls behind 0x%X lead one byte beside %d places that calls in front of it lead to, and lead to %d of those: a byte was %s between 0x%X and 0x%X; read the whole memory again and compare the two reads",
				s.start+uint64(sh.from), v.yes, v.no, sh.what(), s.start+uint64(sh.from), s.start+uint64(sh.to))
			continue
		}
		if code := sweepOf(s.data); code != nil && x.shiftInCode(s, code) || x.shiftInReturns(s) {
			continue
		}
		sh, g := phaseShift(s.data)
		if !x.shownByPhases(g) {
			continue
		}
		if v := votesOfCalls(calls, firstCall(calls, sh.from), sh.move); v.no >= x.lim.shiftCalls && v.no >= callOdds*v.yes {
			continue // calls across the place lead where they should
		}
		x.found(CodeShifted, evidence.Caution, behind(s, sh),
			"behind about 0x%X the content is one byte out of step with what stands in front (%.0f %% of the evidence behind it says so, %.0f %% in front; score %.1f): a byte was %s near there; read the whole memory again and compare the two reads",
			s.start+uint64(sh.from), 100*g.behind.share(), 100*g.front.share(), g.points(), sh.what())
	}
}

// shownByPhases reports whether the phases show a shift. A header or an index of
// a few hundred bytes has an order of its own and stands in front, so that many
// windows must speak for a shift there. Behind a place near the end there are
// few.
func (x *examiner) shownByPhases(g phaseGrade) bool {
	score := x.lim.shiftScore
	if g.behind.forIt < x.lim.shiftWindows {
		score = max(score, x.lim.shiftEndScore)
	}
	return g.points() >= score && g.front.forIt >= x.lim.shiftWindows && g.behind.forIt >= min(x.lim.shiftEndWindows, x.lim.shiftWindows)
}

// shiftInCode looks for a byte lost or doubled by what x86 code refers to.
func (x *examiner) shiftInCode(s *span, code *codeSweep) bool {
	sh, v := code.refShift()
	if v.yes-v.jumps >= x.lim.shiftRefs || v.yes >= x.lim.shiftJumps && v.clean() {
		x.found(CodeShifted, evidence.Caution, behind(s, sh),
			"x86 code refers to %d places across 0x%X that lie one byte beside what it means, and to %d that do not: a byte was %s between 0x%X and 0x%X; read the whole memory again and compare the two reads",
			v.yes, s.start+uint64(sh.from), v.no, sh.what(), s.start+uint64(max(sh.from-refGrain, 0)), s.start+uint64(min(sh.to+refGrain, len(s.data)-1)))
		return true
	}
	sh, a := code.alignShift(s.start)
	if a.yes >= x.lim.shiftFunctions && functionGrain*a.yes >= callOdds*a.all { // times what chance has at each remainder
		x.found(CodeShifted, evidence.Caution, behind(s, sh),
			"of %d places that x86 code behind 0x%X calls, %d lie one byte beside multiples of 16, where functions begin, and %d at them: a byte was %s between 0x%X and 0x%X; read the whole memory again and compare the two reads",
			a.all, s.start+uint64(sh.from), a.yes, a.no, sh.what(), s.start+uint64(sh.from), s.start+uint64(sh.to))
		return true
	}
	return false
}

// shiftInReturns looks for a byte lost or doubled by where functions end in code
// of whole words.
func (x *examiner) shiftInReturns(s *span) bool {
	const nearlyAll = 0.75
	sh, v := returnShift(s.data, s.start)
	if v.yes < x.lim.shiftReturns || float64(v.yes) < nearlyAll*float64(v.all) {
		return false
	}
	x.found(CodeShifted, evidence.Caution, behind(s, sh),
		"behind 0x%X %d of %d functions end one byte beside multiples of the instructions' words, and %d at them: a byte was %s between 0x%X and 0x%X; read the whole memory again and compare the two reads",
		s.start+uint64(sh.from), v.yes, v.all, v.no, sh.what(), s.start+uint64(sh.from), s.start+uint64(sh.to))
	return true
}

// behind is the stretch that is moved.
func behind(s *span, sh shift) []image.Range {
	return []image.Range{s.rng(min(sh.from, len(s.data)-1), len(s.data))}
}

// phaseGrade is what the phases say for a shift.
type phaseGrade struct {
	nats          float64 // evidence for it
	contrast      float64 // times the evidence for a move by two bytes, which no lost byte causes
	fit           float64 // of the neighbours, once those behind are taken back
	front, behind votes   // of the windows on either side, judged by the other
}

// points weighs the grade. All that a lost byte does and a part with an order
// of its own does not gives points: 14 at most.
func (g phaseGrade) points() float64 {
	ramp := func(x, from, to, most float64) float64 { return most * min(max((x-from)/(to-from), 0), 1) }
	return ramp(math.Log2(max(g.nats, 1)), 7, 15, 2) +
		ramp(math.Log2(max(g.contrast, 1)), 0.2, 1.2, 2) +
		ramp(logOdds(g.behind.share()), 2.7, 6.6, 2) +
		ramp(logOdds(g.front.share()), 3.7, 6.2, 2) +
		ramp(g.fit, 0.2, 0.4, 3) +
		ramp(g.behind.deviations(), 0, 18, 2) +
		ramp(g.front.deviations(), 1.4, 2, 1)
}

func logOdds(share float64) float64 { return math.Log2((share + 0.01) / (1.01 - share)) }

// phaseShift returns the likeliest shift by the phases of grams, and how well
// it is founded.
func phaseShift(data []byte) (shift, phaseGrade) {
	const sure = 1.5 // times the evidence for the other direction
	g := gramsOf(data)
	sh, at, other := shift{}, 0, 0.0
	grade := phaseGrade{}
	for _, move := range []int{-1, 1} {
		w, nats := highest(g.evidence(move))
		if nats <= grade.nats {
			other = max(other, nats)
			continue
		}
		other, grade.nats, sh.move, at = grade.nats, nats, move, w
	}
	if grade.nats == 0 {
		return sh, grade
	}
	control := 0.0
	for _, move := range []int{-2, 2} {
		_, nats := highest(g.evidence(move))
		control = max(control, nats)
	}
	grade.contrast = grade.nats / (control + 30)
	grade.fit = g.fit(at, sh.move)
	grade.front, grade.behind = g.votes(at, sh.move)
	sh.sure = grade.nats > sure*other
	sh.from, sh.to = g.at[at], g.at[at]
	return sh, grade
}

func highest(list []float64) (at int, v float64) {
	for i, x := range list {
		if x > v {
			at, v = i, x
		}
	}
	return at, v
}
