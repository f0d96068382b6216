package maps

import (
	"container/heap"

	"example.com/calproof/checksum"
)

// passBlock is how many bytes are read at a time: they stay in the cache until
// every cursor has taken its part.
const passBlock = 64 << 10

// pass gives the bytes of an image to cursors, in the order of addresses. Each
// waits in a heap for the address it needs next, so that a block is shown only
// to those that need bytes of it. One that goes back to lower addresses gets
// them at once, alone, until it has caught up with the others.
type pass struct {
	*evaluator
	cursors cursors
	batch   cursors // those of the last block
	buf     []byte
}

// run computes the values of all, in which [evaluator.plan] saw no error, and
// moves file along too unless it is nil.
func (ev *evaluator) run(all []*counting, file *cursor) {
	p := &pass{evaluator: ev}
	if file != nil && file.settle(ev.held) {
		heap.Push(&p.cursors, file)
	}
	p.link(all)
	for _, c := range all {
		if c.err == nil && !c.seeded {
			p.open(c)
		}
	}
	for len(p.cursors) > 0 {
		p.block()
	}
	for _, c := range all {
		if c.seeded && !c.opened {
			c.err = noSeed(c.in.rule.InitFrom)
		}
	}
}

// link lets each instance that starts from the value of another one wait for
// it. Those whose seed is not among all do not wait: opening them computes it.
func (p *pass) link(all []*counting) {
	single := map[string]*counting{}
	for _, c := range all {
		if c.in.n == 0 && c.in.err != errTooMany {
			single[c.in.rule.Name] = c
		}
	}
	for _, c := range all {
		if c.err != nil || c.in.rule.InitFrom == "" {
			continue
		}
		if seed, ok := single[c.in.rule.InitFrom]; ok {
			c.seeded = true
			seed.waiting = append(seed.waiting, c)
		}
	}
	for _, c := range all {
		if c.err != nil {
			p.ended(c)
		}
	}
}

// open starts an instance.
func (p *pass) open(c *counting) {
	c.opened = true
	if c.err = p.start(c); c.err != nil {
		p.ended(c)
		return
	}
	for _, run := range c.runs {
		if run.settle(p.held) {
			heap.Push(&p.cursors, run)
		} else {
			p.close(run)
		}
	}
}

// close ends a cursor, and its instance with the last of them.
func (p *pass) close(cu *cursor) {
	c := cu.c
	if c == nil {
		return
	}
	if c.open--; c.open == 0 {
		c.end()
		p.ended(c)
	}
}

// ended opens the instances that wait for the value of c.
func (p *pass) ended(c *counting) {
	if len(c.waiting) == 0 {
		return
	}
	p.seeds[c.in.rule.Name] = nil
	if c.err == nil {
		p.seeds[c.in.rule.Name] = &c.value
	}
	for _, w := range c.waiting {
		p.open(w)
	}
}

// block reads the next bytes that are needed, as many as are needed in a row,
// and gives them to all that need some of them.
func (p *pass) block() {
	first := heap.Pop(&p.cursors).(*cursor)
	batch := append(p.batch[:0], first)
	start, size := first.need.Start, min(first.need.Size, passBlock)
	for len(p.cursors) > 0 {
		ahead := p.cursors[0].need.Start - start
		if ahead > size || ahead == passBlock {
			break
		}
		cu := heap.Pop(&p.cursors).(*cursor)
		batch = append(batch, cu)
		size = max(size, ahead+min(cu.need.Size, passBlock-ahead))
	}
	p.batch = batch
	if uint64(len(p.buf)) < size {
		p.buf = make([]byte, size)
	}
	block := p.buf[:size]
	if _, err := p.im.ReadAddr(block, start); err != nil {
		p.alone(batch)
		return
	}
	p.give(batch, start, block)
}

func (p *pass) give(batch cursors, start uint64, block []byte) {
	for _, cu := range batch {
		if cu.take(start, block, p.held) {
			heap.Push(&p.cursors, cu)
		} else {
			p.close(cu)
		}
	}
}

// alone reads for each of a batch what it needs itself, after a block of all
// could not be read: the fault need not concern them all.
func (p *pass) alone(batch cursors) {
	for _, cu := range batch {
		start := cu.need.Start
		block := p.buf[:min(cu.need.Size, uint64(len(p.buf)))]
		if _, err := p.im.ReadAddr(block, start); err != nil {
			cu.err = err
			p.close(cu)
			continue
		}
		p.give(cursors{cu}, start, block)
	}
}

// compute returns the value of one instance.
func (ev *evaluator) compute(in instance, budget *uint64) (checksum.Value, error) {
	c := ev.plan(in, budget)
	ev.run([]*counting{c}, nil)
	return c.value, c.err
}

// cursors is a heap by the address needed next.
type cursors []*cursor

func (h cursors) Len() int           { return len(h) }
func (h cursors) Less(i, j int) bool { return h[i].need.Start < h[j].need.Start }
func (h cursors) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *cursors) Push(x any)        { *h = append(*h, x.(*cursor)) }
func (h *cursors) Pop() any {
	last := (*h)[len(*h)-1]
	(*h)[len(*h)-1] = nil
	*h = (*h)[:len(*h)-1]
	return last
}
