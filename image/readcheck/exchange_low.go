package readcheck

import "math"

// Blocks below lowestLearned hold no joints to learn from. But there are many
// of them: it is counted how much the bytes on both sides have to do with each
// other (their mutual information, in nats), as they are and with the lines
// taken back.
//
// Two bytes that are near have something to do with each other only because
// code is no table and no text. So the same is counted for bytes farther apart,
// and taken off.

// lowPair is a pair of bytes across a joint: lead bytes before it, lag bytes
// behind it. With steps it is not the bytes but by how much they differ from
// those two before them: a table of 16-bit values shows carries.
type lowPair struct {
	lead, lag int
	steps     bool
}

// lowPairs are the pairs for lines 0 to 3. With line 0 the bytes two before a
// joint move as those behind it do, and say nothing.
var lowPairs = [lowestLearned][]lowPair{
	{{1, 0, false}, {1, 0, true}},
	{{1, 0, false}, {2, 0, false}, {1, 1, false}},
	{{1, 0, false}, {2, 0, false}, {4, 0, false}},
	{{1, 0, false}, {2, 0, false}, {4, 0, false}},
}

const (
	fewLowJoints  = 1 << 12 // asked first, by two pairs; if they speak against it, no more are asked
	mostLowJoints = 1 << 14
	lowWindow     = 256   // bytes whose joints are taken together
	leastLow      = 0.035 // nats that every pair must say
	lowClasses    = 8
	fewLowBits    = 14 // log2 of the cells that pairs are counted in, four for each joint
	mostLowBits   = 16
)

// lowCounter counts pairs. Joints are of the same class if lines a and b are,
// and, for line 0, line 1: upper and lower bytes of words differ.
type lowCounter struct {
	data        []byte
	both        [1 << mostLowBits]uint16 // by hash
	left, right [lowClasses << 8]float64
	n           [lowClasses]float64
	sums        []float64 // for each window
	pairs       []countedPair
}

// countedPair is a pair at a joint of a window: its class, its bytes, and where
// both are counted.
type countedPair struct {
	window            uint32
	both, left, right uint16
}

// lowExchanges judges the pairs of lines of which the lower is below lowestLearned.
func lowExchanges(data []byte, first, lines int) []exchange {
	data = data[:len(data)&^7]
	t := &lowCounter{data: data, sums: make([]float64, len(data)/lowWindow+1)}
	var list []exchange
	for a := first; a < min(lowestLearned, lines); a++ {
		pairs := lowPairs[a]
		for b := a + 1; b < lines; b++ {
			e := t.ask(a, b, fewLowJoints, pairs[:2])
			if e.deviations() > -1 {
				e = t.ask(a, b, mostLowJoints, pairs)
			}
			list = append(list, e)
		}
	}
	return list
}

func (t *lowCounter) ask(a, b, most int, pairs []lowPair) exchange {
	clear(t.sums)
	far := 16
	if b == 4 || b == 5 {
		far = 64 // line b is at rest over it
	}
	joints := 0
	for _, p := range pairs {
		for _, back := range []bool{false, true} {
			sign := -1.0
			if back {
				sign = 1
			}
			t.count(a, b, most, p, back, sign)
			p.lag += far
			t.count(a, b, most, p, back, -sign)
			p.lag -= far
		}
		joints += len(t.pairs)
	}
	sampled := 0
	sampleChunks(len(t.data), most<<a, func(from, to int) { sampled += (to - from) >> a })
	e := exchange{a: a, b: b, joints: joints, scale: float64(len(t.data)>>a) / float64(max(sampled, 1)*len(pairs))}
	for _, s := range t.sums {
		e.add(s)
	}
	return e
}

// count adds sign times what the pairs of one kind say to the sums. back takes
// the lines back.
func (t *lowCounter) count(a, b, most int, pair lowPair, back bool, sign float64) {
	cells := t.both[:1<<mostLowBits]
	if most == fewLowJoints {
		cells = t.both[:1<<fewLowBits]
	}
	clear(cells)
	t.left, t.right, t.n = [lowClasses << 8]float64{}, [lowClasses << 8]float64{}, [lowClasses]float64{}
	at := func(i int) int {
		if back {
			return exchangedAddress(i, a, b)
		}
		return i
	}
	n := len(t.data)
	t.pairs = t.pairs[:0]
	sampleChunks(n, most<<a, func(from, to int) {
		for i := from + 8; i+8+pair.lag < to; i += 1 << a {
			p, q := at(i-pair.lead), at(i+pair.lag)
			if p >= n || q >= n || isFillWord(t.data[p&^7:]) || isFillWord(t.data[q&^7:]) {
				continue
			}
			l, r := t.data[p], t.data[q]
			if pair.steps {
				p, q = at(i-pair.lead-2), at(i+pair.lag-2)
				if p >= n || q >= n {
					continue
				}
				l -= t.data[p]
				r -= t.data[q]
			}
			class := i>>a&1 | i>>b&1<<1
			if a == 0 {
				class |= i >> 1 & 1 << 2
			}
			c := countedPair{window: uint32(i / lowWindow), left: uint16(class<<8) | uint16(l), right: uint16(class<<8) | uint16(r)}
			c.both = uint16((uint32(c.left)<<8 | uint32(r)) * 0x9E3779B1 >> 16 & uint32(len(cells)-1))
			cells[c.both]++
			t.left[c.left]++
			t.right[c.right]++
			t.n[class]++
			t.pairs = append(t.pairs, c)
		}
	})
	// Each pair is left out where it is judged. One logarithm serves a few.
	const together = 8
	product := 1.0
	for i, c := range t.pairs {
		chance := (t.left[c.left] - 1) * (t.right[c.right] - 1) / t.n[c.left>>8]
		product *= (float64(cells[c.both]) - 0.5) / (chance + 0.5)
		if i%together == together-1 || i+1 == len(t.pairs) || t.pairs[i+1].window != c.window {
			t.sums[c.window] += sign * math.Log(product)
			product = 1
		}
	}
}
