package readcheck

import (
	"encoding/binary"
	"math"
	"math/bits"
	"sync"
)

// A gram is a short pattern of bytes; its phase is its position modulo
// shiftPhases. Instructions, addresses and table values begin at multiples of
// two, four or sixteen, so nearly every gram prefers some phases.
const (
	shiftWindow  = 256     // bytes that are taken together; a gram counts once in each of its parts
	shiftWindows = 1 << 12 // most windows looked at, spread evenly over the image
	phaseBits    = 4
	shiftPhases  = 1 << phaseBits
)

// The grams of all kinds have numbers of their own. Longer ones are hashed.
const (
	hashBits   = 13
	oneByte    = 0
	twoBytes   = oneByte + 1<<8
	threeBytes = twoBytes + 1<<hashBits
	fourBytes  = threeBytes + 1<<hashBits
	stepSizes  = fourBytes + 1<<hashBits
	gramCount  = stepSizes + 1<<6
)

// gramTable holds a count for each gram and phase, at gram<<phaseBits|phase.
// A gram counts at most eight times in a window, so 16 bits are enough.
type gramTable [gramCount << phaseBits]uint16

// gramStream lists the grams of an image in order.
type gramStream struct {
	cells []uint32 // gram<<phaseBits|phase
	first []int    // index into cells, for each window and the end
	at    []int    // offset of each window, and the end
}

func (g *gramStream) windows() int { return len(g.first) - 1 }

// window returns the cells of window w.
func (g *gramStream) window(w int) []uint32 { return g.cells[g.first[w]:g.first[w+1]] }

// gramsOf lists the grams of data. Fill and text have no phase and are left
// out. Within each part of a window a gram counts once for each phase, so that
// a run of equal records does not outweigh everything else.
func gramsOf(data []byte) *gramStream {
	n := len(data) / shiftWindow
	stride := max((n+shiftWindows-1)/shiftWindows, 1)
	g := &gramStream{cells: make([]uint32, 0, 4*shiftWindow*min(n, shiftWindows))} // about 3.5 a byte: at most 16 MiB
	seen := make([]uint32, gramCount<<phaseBits)                                   // the part, counted from 1, that has a cell already
	part := uint32(0)
	for w := 0; w < n; w += stride {
		from := w * shiftWindow
		g.first, g.at = append(g.first, len(g.cells)), append(g.at, from)
		part += shiftWindow / 32
		for i := max(from, 4); i < from+shiftWindow && i+6 <= len(data); i++ {
			around := binary.LittleEndian.Uint64(data[i-2:])
			four := uint32(around >> 16)
			if four == bits.RotateLeft32(four, 8) || isTextWord(around) {
				continue
			}
			phase := uint32(i) % shiftPhases
			in := uint32(i - from)
			add := func(gram, part uint32) {
				if c := gram<<phaseBits | phase; seen[c] != part {
					seen[c] = part
					g.cells = append(g.cells, c)
				}
			}
			add(oneByte+four&0xFF, part+in/64)
			add(twoBytes+hash32(four&0xFFFF), part)
			add(threeBytes+hash32(four&0xFFFFFF), part)
			add(fourBytes+hash32(four), part)
			add(stepSizes+(step(data[i], data[i-2])|step(data[i], data[i-4])<<2|step(data[i], data[i-1])<<4), part+in/32)
		}
	}
	g.first, g.at = append(g.first, len(g.cells)), append(g.at, len(data))
	return g
}

func hash32(v uint32) uint32 { return v * 0x9E3779B1 >> (32 - hashBits) }

// step sorts the distance of two bytes into four sizes. In a table of 16-bit
// values the upper bytes run in small steps and the lower ones do not.
func step(a, b byte) uint32 {
	switch d := max(a, b) - min(a, b); {
	case d == 0:
		return 0
	case d <= 2:
		return 1
	case d <= 12:
		return 2
	}
	return 3
}

// isTextWord reports whether six or more of the bytes of w are ASCII letters or
// punctuation from 0x20 to 0x7F, as text and its ends have.
func isTextWord(w uint64) bool {
	const ones = 0x0101010101010101
	// Per byte: bit 7 clear, and bit 5 or bit 6 set.
	m := (w>>5 | w>>6) &^ (w >> 7) & ones
	return bits.OnesCount64(m) >= 6
}

// moved returns the cell of the gram of c with its phase changed by d.
func moved(c uint32, d int) uint32 {
	return c&^(shiftPhases-1) | (c+uint32(d))&(shiftPhases-1)
}

// logCounts holds log(n + 1/2), the weight of a cell counted n times.
var logCounts = sync.OnceValue(func() *[1 << 16]float32 {
	var t [1 << 16]float32
	for n := range t {
		t[n] = float32(math.Log(float64(n) + 0.5))
	}
	return &t
})

// evidence returns for each window w, and for the end, how much better the
// grams keep to their phases when everything from w on is taken back by move
// bytes than as it is: the logarithm of the ratio of the likelihoods
// (Dirichlet-multinomial, 1/2 a cell), in nats. What does not change with w cancels, so
// that one step touches two cells.
func (g *gramStream) evidence(move int) []float64 {
	logs := logCounts()
	var t gramTable
	for _, c := range g.cells {
		t[moved(c, -move)]++
	}
	list := make([]float64, 0, g.windows()+1)
	sum := 0.0
	for w := range g.windows() {
		list = append(list, sum)
		for _, c := range g.window(w) {
			back := moved(c, -move)
			t[back]--
			sum += float64(logs[t[c]] - logs[t[back]])
			t[c]++
		}
	}
	return append(list, sum)
}

// votes says how the windows on one side of a point speak for a move, each
// judged by the grams of the other side.
type votes struct {
	yes, no        float64 // nats
	forIt, against int     // windows that speak with voteNats or more
}

const voteNats = 2

func (v *votes) add(x float64) {
	v.yes += max(x, 0)
	v.no += max(-x, 0)
	if x >= voteNats {
		v.forIt++
	}
	if x <= -voteNats {
		v.against++
	}
}

// share is the part of the evidence that speaks for the move, 0 to 1.
func (v votes) share() float64 { return v.yes / (v.yes + v.no + 20) }

// deviations is by how many standard deviations the windows for the move
// outnumber those against it.
func (v votes) deviations() float64 {
	return float64(v.forIt-v.against) / math.Sqrt(float64(v.forIt+v.against+1))
}

// votes asks the windows in front of window at and those from it on.
func (g *gramStream) votes(at, move int) (front, behind votes) {
	logs := logCounts()
	var before, after gramTable
	for i, c := range g.cells {
		if i < g.first[at] {
			before[c]++
		} else {
			after[c]++
		}
	}
	for w := range g.windows() {
		model, to, sum := &before, -move, 0.0
		if w < at {
			model, to = &after, move
		}
		for _, c := range g.window(w) {
			sum += float64(logs[model[moved(c, to)]] - logs[model[c]])
		}
		if w < at {
			front.add(sum)
		} else {
			behind.add(sum)
		}
	}
	return front, behind
}

// nearWindows is how many windows with content on either side are neighbours.
const (
	nearWindows = 32
	nearGrams   = 100 // grams of a window that has content
)

// fit returns how well the neighbours of window at, in front of it and from it
// on, fit together once those behind are taken back by move, as a share of
// what speaks against their fitting together as they are. It is near 1 if they
// are of one kind and moved, near 0 if they are of two kinds.
func (g *gramStream) fit(at, move int) float64 {
	from, to := at, at
	for n := 0; from > 0 && n < nearWindows; {
		from--
		if len(g.window(from)) > nearGrams {
			n++
		}
	}
	for n := 0; to < g.windows() && n < nearWindows; to++ {
		if len(g.window(to)) > nearGrams {
			n++
		}
	}
	front, behind := g.cells[g.first[from]:g.first[at]], g.cells[g.first[at]:g.first[to]]
	var alone, asTheyAre model
	asTheyAre.add(front, 0)
	takenBack := asTheyAre
	joint, back := asTheyAre.add(behind, 0), takenBack.add(behind, -move)
	apart := alone.add(behind, 0) - joint
	return (back - joint) / (max(apart, 0) + 50)
}

// model is what has been counted so far, by cell and by gram.
type model struct {
	cell gramTable
	gram [gramCount]uint16
}

// add counts cells, their phases changed by d, and returns the logarithm of
// the likelihood of their phases, each given those counted before it.
func (m *model) add(cells []uint32, d int) float64 {
	logs := logCounts()
	sum := 0.0
	for _, c := range cells {
		c = moved(c, d)
		all := float64(m.gram[c>>phaseBits]) + shiftPhases/2
		sum += float64(logs[m.cell[c]]) - math.Log(all)
		m.cell[c]++
		m.gram[c>>phaseBits]++
	}
	return sum
}
