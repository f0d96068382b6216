package readcheck

import (
	"encoding/binary"
	"math"
	"math/bits"
)

// A joint is where one block ends, at p, and another begins, at q; p == q as
// read. How well both sides belong together is learned from the image itself:
// inside the blocks, at places that are no multiple of 16, every byte stands
// beside the one it belongs to whatever lines from lowestLearned on are
// exchanged, and two places taken at random do not belong together.
const (
	lowestLearned = 4
	jointReach    = 16      // bytes on either side that a joint needs
	nearLine      = 8       // blocks of lines from here on hold besideBytes
	besideBytes   = 256     // on either side, compared as a whole
	jointSample   = 1 << 17 // bytes that pairs are counted in, spread evenly
	sampleChunk   = 1 << 12
	jointLessons  = 512 // joints that the weights are learned from, and as many places that are none
	fewJoints     = 64  // joints asked first; if they speak against it, the others are not asked
	mostJoints    = 512
	mostNats      = 4 // that one joint may say
	pairBits      = 15

	leastApart = 0.1  // nats by which joints must be known from places that are none; in random content it is none
	leastShare = 0.08 // of what exchanged lines would give, that they must give
)

// jointPair is a pair across a joint: left bytes that end lead bytes before it,
// and right bytes that begin lag bytes behind it.
type jointPair struct{ lead, left, lag, right int }

// Neighbouring bytes and words, and the same columns of words of 16, 32 and 64 bits.
var jointPairs = [...]jointPair{
	{0, 1, 0, 1}, {0, 2, 0, 2}, {0, 4, 0, 4}, {3, 1, 0, 4}, {7, 1, 0, 1}, {0, 1, 3, 1},
}

// hashes returns where the pair at p and q, its left side and its right side are
// counted.
func (k jointPair) hashes(d []byte, p, q int) (both, left, right uint32) {
	l := binary.BigEndian.Uint32(d[p-k.lead-4:]) & (1<<(8*k.left) - 1)
	r := binary.BigEndian.Uint32(d[q+k.lag:]) >> (32 - 8*k.right)
	const odd = 0x9E3779B185EBCA87 // bits well spread
	return uint32((uint64(l)<<32 | uint64(r)) * odd >> (64 - pairBits)), l * (odd >> 32) >> (32 - pairBits), r * (odd >> 32) >> (32 - pairBits)
}

// pairCounts counts the pairs of one kind, and their sides.
type pairCounts struct{ both, left, right [1 << pairBits]uint32 }

// pairTables counts pairs of every kind at n joints.
type pairTables struct {
	kinds [len(jointPairs)]pairCounts
	n     float64
}

func (t *pairTables) add(d []byte, p int) {
	t.n++
	for i, k := range jointPairs {
		both, left, right := k.hashes(d, p, p)
		c := &t.kinds[i]
		c.both[both]++
		c.left[left]++
		c.right[right]++
	}
}

// nats is how much more often the pairs at p and q stand together than by
// chance. own is 1 if they are counted themselves, else 0.
func (t *pairTables) nats(d []byte, p, q int, own float64) float64 {
	s := 1.0
	for i, k := range jointPairs {
		both, left, right := k.hashes(d, p, q)
		c := &t.kinds[i]
		s *= (float64(c.both[both]) - own + 0.5) / ((float64(c.left[left])-own)*(float64(c.right[right])-own)/t.n + 0.5)
	}
	return math.Log(s)
}

// What is looked at at a joint.
const (
	byWords = iota // pairs, counted where words of 32 bits begin
	byBytes        // pairs, counted everywhere
	bySteps        // sizes of the steps between bytes two and four apart
	byGrams        // grams of three bytes that both sides hold, rare ones more
	byKinds        // how often each upper half of a byte stands in each byte of a word
	jointSigns
)

type jointSign [jointSigns]float64

// jointModel knows how both sides of a joint belong together.
type jointModel struct {
	data    []byte
	words   pairTables
	bytes   pairTables
	grams   []uint32 // how often each stands in the sample, by hash
	nGrams  float64
	seen    []uint32        // by the same hash: the joint on one side of which it was seen last
	joint   uint32          // number of the joint
	steps   [2][256]float64 // at places that are no joints, and at joints
	weights [2]jointWeights // for blocks that hold less than besideBytes, and for others
}

// jointWeights turn what is seen at a joint into nats.
type jointWeights struct {
	sign  jointSign
	bias  float64
	apart float64 // nats that a joint has more than a place that is none, where they were not learned
}

// sampleChunks calls do for parts of n bytes, evenly spread, that are most bytes
// together.
func sampleChunks(n, most int, do func(from, to int)) {
	chunks := (n + sampleChunk - 1) / sampleChunk
	step := (chunks*sampleChunk + most - 1) / most
	if step > 1 {
		step |= 1 // so that every line of an address changes
	}
	for c := 0; c < chunks; c += step {
		do(c*sampleChunk, min((c+1)*sampleChunk, n))
	}
}

func newJointModel(data []byte) *jointModel {
	m := &jointModel{data: data, grams: make([]uint32, 1<<sharedBits), seen: make([]uint32, 1<<sharedBits)}
	sampleChunks(len(data), jointSample, func(from, to int) {
		for p := max(from, jointReach); p < min(to, len(data)-jointReach+1); p++ {
			m.grams[gramAt(data, p)]++
			m.nGrams++
			if p%jointReach == 0 || m.blank(p, p) {
				continue
			}
			m.bytes.add(data, p)
			if p%4 == 0 {
				m.words.add(data, p)
			}
		}
	})
	return m
}

const sharedBits = 16

func gramAt(d []byte, i int) uint32 {
	return (uint32(d[i]) | uint32(d[i+1])<<8 | uint32(d[i+2])<<16) * 0x9E3779B1 >> (32 - sharedBits)
}

// isFillWord reports whether the first eight bytes of b are one value.
func isFillWord(b []byte) bool {
	v := binary.LittleEndian.Uint64(b)
	return v == bits.RotateLeft64(v, 8)
}

// blank reports whether there is fill on one side of a joint: it fits everything.
func (m *jointModel) blank(p, q int) bool { return isFillWord(m.data[p-8:]) || isFillWord(m.data[q:]) }

// signs looks at a joint. own is 1 if it is counted in the tables.
func (m *jointModel) signs(p, q int, own float64, near int) (s jointSign) {
	s[byWords] = m.words.nats(m.data, p, q, own)
	s[byBytes] = m.bytes.nats(m.data, p, q, own)
	c := m.stepsAt(p, q)
	s[bySteps] = math.Log((m.steps[1][c] + 1) / (m.steps[0][c] + 1))
	if near == 1 {
		s[byGrams] = m.gramsShared(p, q)
		s[byKinds] = m.kindsAlike(p, q)
	}
	return s
}

// stepsAt sorts the steps across a joint into 256 cases.
func (m *jointModel) stepsAt(p, q int) uint32 {
	d := m.data
	return step(d[q], d[p-2]) | step(d[q], d[p-4])<<2 | step(d[q+1], d[p-1])<<4 | step(d[q+3], d[p-1])<<6
}

func (m *jointModel) gramsShared(p, q int) float64 {
	m.joint++
	d := m.data
	for i := max(p-besideBytes, 0); i+3 <= p; i++ {
		m.seen[gramAt(d, i)] = m.joint
	}
	s := 0.0
	for i := q; i+3 <= min(q+besideBytes, len(d)); i++ {
		if g := gramAt(d, i); m.seen[g] == m.joint {
			m.seen[g] = 0 // once
			s += math.Log(m.nGrams / float64(m.grams[g]+1))
		}
	}
	return math.Sqrt(s)
}

func (m *jointModel) kindsAlike(p, q int) float64 {
	var front, behind [64]float64
	for i, b := range m.data[max(p-besideBytes, 0):p] {
		front[b>>4|byte(i&3)<<4]++
	}
	for i, b := range m.data[q:min(q+besideBytes, len(m.data))] {
		behind[b>>4|byte(i&3)<<4]++
	}
	s := 0.0
	for i, f := range front {
		if b := behind[i]; f+b > 0 {
			s += (f - b) * (f - b) / (f + b)
		}
	}
	return -s / besideBytes
}

// learn learns from joints inside the blocks, and from as many places that are
// none. It returns false if there is too little content.
func (m *jointModel) learn() bool {
	var at []int
	sampleChunks(len(m.data), jointSample, func(from, to int) {
		for p := max(from, jointReach+4); p < min(to, len(m.data)-jointReach+1); p += 4 {
			if p%jointReach != 0 && !m.blank(p, p) {
				at = append(at, p)
			}
		}
	})
	const least = 512
	if len(at) < least {
		return false
	}
	// Any spread will do, as long as it is the same every time.
	random := uint64(1)
	next := func() int {
		random = random*6364136223846793005 + 1442695040888963407
		return at[int((random>>33)%uint64(len(at)))]
	}
	// The first half is for learning, the other for trying it.
	var places [2][][2]int // no joints, and joints
	for range 2 * jointLessons {
		p, q := next(), next()
		places[0] = append(places[0], [2]int{p, q})
		places[1] = append(places[1], [2]int{p, p})
	}
	for joint, list := range places {
		for _, j := range list[:jointLessons] {
			m.steps[joint][m.stepsAt(j[0], j[1])]++
		}
	}
	for near := range m.weights {
		var signs []jointSign
		for joint, list := range places {
			for _, j := range list[:jointLessons] {
				signs = append(signs, m.signs(j[0], j[1], float64(joint), near))
			}
		}
		w := &m.weights[near]
		w.sign, w.bias = logistic(signs, jointLessons)
		for joint, list := range places {
			for _, j := range list[jointLessons:] {
				w.apart += float64(2*joint-1) * w.nats(m.signs(j[0], j[1], float64(joint), near)) / jointLessons
			}
		}
	}
	return true
}

func (w *jointWeights) nats(signs jointSign) float64 {
	sum := w.bias
	for i, v := range signs {
		sum += w.sign[i] * v
	}
	return max(min(sum, mostNats), -mostNats)
}

// nats is the logarithm of how much likelier p and q belong together than not.
func (m *jointModel) nats(p, q, near int) float64 {
	if m.blank(p, q) {
		return 0
	}
	return m.weights[near].nats(m.signs(p, q, 0, near))
}

// exchanges asks the joints between blocks for each pair of lines, as they are
// and as they would be with the lines taken back.
func (m *jointModel) exchanges(first, lines int) []exchange {
	var list []exchange
	n := len(m.data)
	for a := max(first, lowestLearned); a < lines; a++ {
		near := 0
		if a >= nearLine {
			near = 1
		}
		if m.weights[near].apart < leastApart {
			continue
		}
		size, asRead := 1<<a, map[int]float64{}
		for b := a + 1; b < lines; b++ {
			e := exchange{a: a, b: b}
			ask := func(from, step int) {
				for at := from * size; at < n; at += step * size {
					p, q := exchangedAddress(at-size, a, b)+size, exchangedAddress(at, a, b)
					if p == q || p > n || p < jointReach || q+jointReach > n || at+jointReach > n {
						continue
					}
					was, ok := asRead[at]
					if !ok {
						was = m.nats(at, at, near)
						asRead[at] = was
					}
					e.add(m.nats(p, q, near) - was)
					if !m.blank(p, q) && !m.blank(at, at) {
						e.joints++
					}
				}
			}
			step := n>>a/mostJoints | 1
			if few := n>>a/fewJoints | 1; few > step {
				if ask(1, few); e.deviations() < -1 {
					continue
				}
				e = exchange{a: a, b: b}
			}
			ask(1, step)
			if e.nats >= leastShare*m.weights[near].apart*float64(e.joints) {
				list = append(list, e)
			}
		}
	}
	return list
}

// logistic fits weights by which signs tell the first zeros of them from the
// others, by Newton's method (logistic regression with a ridge of 1).
func logistic(signs []jointSign, zeros int) (weights jointSign, bias float64) {
	const n = jointSigns + 1
	var w [n]float64
	for range 8 {
		var h [n][n + 1]float64 // the equations of a step
		for i := range h {
			h[i][i], h[i][n] = 1, -w[i]
		}
		for i, s := range signs {
			var row [n]float64
			copy(row[:], s[:])
			row[n-1] = 1
			sum, want := 0.0, 1.0
			for j, v := range row {
				sum += w[j] * v
			}
			if i < zeros {
				want = 0
			}
			p := 1 / (1 + math.Exp(-sum))
			for j, v := range row {
				for k, u := range row {
					h[j][k] += p * (1 - p) * v * u
				}
				h[j][n] += (want - p) * v
			}
		}
		for c := range n { // the matrix is positive definite: no pivots
			for r := range n {
				if r == c {
					continue
				}
				f := h[r][c] / h[c][c]
				for k := c; k <= n; k++ {
					h[r][k] -= f * h[c][k]
				}
			}
		}
		for c := range w {
			w[c] += h[c][n] / h[c][c]
		}
	}
	copy(weights[:], w[:])
	return weights, w[n-1]
}
