package readcheck

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// When checksum rules fail or identity fields do not read, the map's anchors
// can tell why: if they hold again once the bytes are arranged in another way,
// that is how the read went wrong.
//
// A wrong arrangement agrees with a rule of n bits once in 2^n tries, and some
// 180 are tried (512 KiB have 171 pairs of address lines): with one rule of 16
// bits one of them agrees in 1 of 360 failing reads, with several rules in 1 of
// 100. So the arrangement is taken that most bits speak for, and it is a fault
// only from anchorBits on: one of 180 has 24 bits in 1 of 90000 reads. Where m
// rules of k agree, there were as many ways to agree as there are ways to choose
// m of k: that takes as many bits more as its logarithm.
//
// Sums of words are the same wherever the words stand: they agree with a wrong
// order as with the right one, and count for shifts only.

// repair is one way to arrange the bytes of a read: byte i of the repaired
// image is byte from(i) of the read, if that lies in it.
type repair struct {
	code  string
	what  string
	from  func(i int) int
	grain int // bytes from a multiple of it on keep together; 0: all do
	move  int // for a shift, how far the content is moved up by it

	order arrangement // for another order of bytes
	lines [2]int      // for exchanged address lines; both 0: none are
}

const (
	anchorRules  = 3         // failing rules, those that cover least, that are tried first
	anchorBudget = 512 << 20 // bytes that may be summed while trying

	anchorBits   = 24  // of values that agree, from which they name a fault
	supportBits  = 12  // what else speaks for it counts as so many at most, ...
	bitsFromByte = 1.4 // ... and an identity field by its bytes: 95 values of 256 can be printed, 100 are decimal
)

// repairs returns every arrangement tried on an image of n bytes, likely ones
// first.
func (x *examiner) repairs(n int) []repair {
	var list []repair
	for d := 1; d <= x.lim.ruleShift; d++ {
		list = append(list,
			repair{code: CodeShifted, what: fmt.Sprintf("moved up by %d: bytes were lost before it", d), from: func(i int) int { return i - d }, move: d},
			repair{code: CodeShifted, what: fmt.Sprintf("moved down by %d: bytes were doubled before it", d), from: func(i int) int { return i + d }, move: -d})
	}
	for _, a := range slices.Concat(arrangements(), wovenArrangements()) {
		list = append(list, repair{code: a.code, what: "read with " + a.name, from: func(i int) int { return a.from(i, n) }, grain: 1, order: a})
	}
	lines := x.c.lines()
	for a := range lines {
		for b := a + 1; b < lines; b++ {
			list = append(list, repair{code: CodeAddressLinesSwapped, what: fmt.Sprintf("read with address lines %d and %d exchanged", a, b),
				from: func(i int) int { return exchangedAddress(i, a, b) }, grain: 1 << a, lines: [2]int{a, b}})
		}
	}
	return list
}

// rearranged is a read seen through a repair. Bytes from outside the read are
// the erased byte.
type rearranged struct {
	data []byte
	repair
	fill byte
}

func (r rearranged) ReadAt(p []byte, off int64) (int, error) {
	n := 0
	for n < len(p) && off+int64(n) < int64(len(r.data)) {
		i := int(off) + n
		j := r.from(i)
		if j < 0 || j >= len(r.data) {
			p[n] = r.fill
			n++
			continue
		}
		run := min(len(p)-n, len(r.data)-i)
		if r.grain > 0 {
			run = min(run, r.grain-i%r.grain)
		}
		n += copy(p[n:n+run], r.data[j:])
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// proposal is a repair, and what speaks for it.
type proposal struct {
	repair
	im      *image.Image
	again   []maps.RuleResult // rules that agree again
	tried   int               // failing rules that could have
	fields  int               // identity fields that read again
	support float64           // bits that speak for it besides the rules
	same    int               // finding of another check that says the same; -1: none
}

// checkAnchors looks for the arrangement that makes failing anchors hold.
func (x *examiner) checkAnchors(results []maps.RuleResult, identity []maps.IdentityValue) {
	failing := x.lim.failingRules(results)
	anyOrder := slices.DeleteFunc(slices.Clone(failing), func(r maps.RuleResult) bool { return x.startsFromAnother(r) })
	ordered := slices.DeleteFunc(slices.Clone(anyOrder), x.orderBlind)
	if len(anyOrder) == 0 || len(x.c.spans) == 0 {
		return
	}
	if len(x.c.spans) > 1 {
		x.skipped("whether the bytes were shifted or are in another order, as checksum rules fail: that is tried only on an image without gaps, and this one has %d parts; a second read tells", len(x.c.spans))
		return
	}
	s := x.c.spans[0]
	unread := map[string]bool{}
	for _, id := range identity {
		if id.Problem != "" {
			unread[id.Name] = true
		}
	}
	var best *proposal
	spent, arrangements := uint64(0), 0
	for _, rep := range x.repairs(len(s.data)) {
		rules := anyOrder
		if rep.move == 0 {
			rules = ordered
		}
		if len(rules) == 0 {
			continue
		}
		first := rules[:min(len(rules), anchorRules)]
		if spent += covered(first); spent > anchorBudget {
			x.skipped("which address lines or bytes were exchanged: trying every way would take too long on an image of %d bytes; a second read tells", len(s.data))
			break
		}
		arrangements++
		view := rearranged{s.data, rep, x.m.Image.Erased}
		im, err := image.New(view, int64(len(s.data)), image.Options{Format: image.FormatRaw, Base: new(s.start)})
		if err != nil {
			return
		}
		if len(x.agreeAgain(im, first)) == 0 {
			continue
		}
		spent += covered(rules)
		again := x.richIn(view, s.start, x.agreeAgain(im, rules))
		if len(again) == 0 {
			continue
		}
		p := &proposal{repair: rep, im: im, again: again, tried: len(rules), same: -1}
		x.support(p, results, unread)
		if best == nil || p.weight() > best.weight() {
			best = p
		}
		if len(again) == len(rules) && p.names() {
			break // nothing proves more
		}
	}
	switch {
	case best == nil:
	case best.names():
		x.foundRepair(best, failing, results)
	case !x.contradicted(best, results):
		x.foundWeakRepair(best, failing, arrangements)
	}
}

// startsFromAnother reports whether the rule of r goes on where another ended.
func (x *examiner) startsFromAnother(r maps.RuleResult) bool {
	return slices.ContainsFunc(x.m.Checksums, func(rule maps.Rule) bool { return rule.Name == r.Rule && rule.InitFrom != "" })
}

func covered(results []maps.RuleResult) (n uint64) {
	for _, r := range results {
		n += image.TotalSize(r.Cover)
	}
	return n
}

// values returns how many rules agree again, and the bits of their values.
// Equal blocks, and rules that say the same of one block, count once.
func (p *proposal) values() (rules, bits int) {
	seen := map[string]bool{}
	for _, r := range p.again {
		key := r.Algorithm + " " + r.Computed
		if r.Field == nil { // a target is the same for different blocks
			key = fmt.Sprint(r.Algorithm, r.Cover)
		}
		if !seen[key] {
			seen[key] = true
			rules++
			bits += valueBits(r)
		}
	}
	return rules, bits
}

// weight is how many bits speak for p.
func (p *proposal) weight() float64 {
	_, bits := p.values()
	return float64(bits) + p.support
}

// names reports whether so much speaks for p that it was not chance.
func (p *proposal) names() bool {
	rules, _ := p.values()
	return p.weight() >= anchorBits+log2Choices(p.tried, rules)
}

// log2Choices is the logarithm of the number of ways to choose m of k.
func log2Choices(k, m int) float64 {
	log := func(n int) float64 { v, _ := math.Lgamma(float64(n + 1)); return v / math.Ln2 }
	return log(k) - log(m) - log(k-m)
}

// support finds what else speaks for p: identity fields that read again, and
// checks of the content that say the same.
func (x *examiner) support(p *proposal, results []maps.RuleResult, unread map[string]bool) {
	if b, err := maps.Bind(x.m, p.im); err == nil {
		bytes := uint64(0)
		for _, id := range b.Identity() {
			if unread[id.Name] && id.Problem == "" {
				p.fields++
				bytes += id.Range.Size
			}
		}
		p.support = min(supportBits, bitsFromByte*float64(bytes))
	}
	from, to := p.between(results)
	p.same = slices.IndexFunc(x.findings, func(f evidence.Finding) bool {
		switch {
		case f.Code != p.code || f.Severity != evidence.Caution:
			return false
		case p.move != 0:
			return f.Ranges[0].Start >= from && f.Ranges[0].Start <= to
		case p.lines != [2]int{}:
			return slices.ContainsFunc(x.exchanged, func(e exchange) bool { return [2]int{e.a, e.b} == p.lines })
		}
		return strings.Contains(f.Message, p.order.name)
	})
	if p.same >= 0 && p.move >= -1 && p.move <= 1 { // the content shows shifts by one byte
		p.support = supportBits
	}
}

// where returns what the rules cover that agree again.
func (p *proposal) where() (where []image.Range) {
	for _, r := range p.again {
		where = append(where, r.Cover...)
	}
	return image.MergeRanges(where)
}

// between returns the addresses between which a shift happened: rules that
// agree as they are end before it.
func (p *proposal) between(results []maps.RuleResult) (from, to uint64) {
	to = p.where()[0].Start
	for _, r := range results {
		if r.Verdict != evidence.Pass {
			continue
		}
		for _, c := range r.Cover {
			if c.Last() < to {
				from = max(from, c.Last())
			}
		}
	}
	return from, to
}

// contradicted reports whether another order, which is one of the whole image,
// breaks a rule that agrees as it is.
func (x *examiner) contradicted(p *proposal, results []maps.RuleResult) bool {
	if p.move != 0 {
		return false
	}
	agree := slices.DeleteFunc(slices.Clone(results), func(r maps.RuleResult) bool {
		return r.Verdict != evidence.Pass || !x.lim.proves(r) || x.orderBlind(r) || x.startsFromAnother(r) || x.c.flat(r.Cover)
	})
	return len(x.agreeAgain(p.im, agree)) < len(agree)
}

// failingRules returns the results that do not agree and are wide enough to
// serve as an anchor, those that cover least first.
func (lim limits) failingRules(results []maps.RuleResult) []maps.RuleResult {
	var list []maps.RuleResult
	for _, r := range results {
		if r.Verdict == evidence.Fail && lim.proves(r) {
			list = append(list, r)
		}
	}
	slices.SortStableFunc(list, func(a, b maps.RuleResult) int {
		return cmp.Compare(image.TotalSize(a.Cover), image.TotalSize(b.Cover))
	})
	return list
}

// agreeAgain returns which of rules agree on im.
func (x *examiner) agreeAgain(im *image.Image, rules []maps.RuleResult) []maps.RuleResult {
	wanted := map[string]bool{}
	for _, r := range rules {
		wanted[r.Rule] = true
	}
	m := *x.m
	m.Checksums = nil
	for _, r := range x.m.Checksums {
		if wanted[r.Name] {
			m.Checksums = append(m.Checksums, r)
		}
	}
	b, err := maps.Bind(&m, im)
	if err != nil {
		return nil
	}
	var again []maps.RuleResult
	for _, r := range b.Check() {
		asked := slices.ContainsFunc(rules, func(f maps.RuleResult) bool { return f.Rule == r.Rule && f.Repeat == r.Repeat })
		if asked && r.Verdict == evidence.Pass {
			again = append(again, r)
		}
	}
	return again
}

// richIn returns which of results cover rich content in view: any arrangement
// agrees with a checksum of fill.
func (x *examiner) richIn(view rearranged, start uint64, results []maps.RuleResult) []maps.RuleResult {
	if len(results) == 0 {
		return nil
	}
	data := make([]byte, len(view.data))
	if _, err := view.ReadAt(data, 0); err != nil {
		return nil
	}
	c := newContent([]*span{{start: start, data: data}}, x.lim.rich)
	return slices.DeleteFunc(results, func(r maps.RuleResult) bool { return c.flat(r.Cover) })
}

// flat reports whether ranges hold no rich content.
func (c *content) flat(ranges []image.Range) bool {
	return c.contentIn(ranges) < unitSize
}

// foundRepair reports the arrangement that made rules agree again. What another
// check said of it is told with it.
func (x *examiner) foundRepair(p *proposal, failing, results []maps.RuleResult) {
	msg := evidence.Sprintf("%d of %d checksum rules that fail agree again when the image is %s", len(p.again), len(failing), p.what)
	if p.fields > 0 {
		msg += fmt.Sprintf(", and %s again", evidence.Count(uint64(p.fields), "readable identity field"))
	}
	switch {
	case p.move != 0:
		from, to := p.between(results)
		msg += fmt.Sprintf("; it happened between 0x%X and 0x%X", from, to)
		if p.same >= 0 {
			msg += fmt.Sprintf(", by the content near 0x%X", x.findings[p.same].Ranges[0].Start)
		}
		msg += "; read the whole memory again and compare the two reads"
	case p.lines != [2]int{}:
		msg += "; check the order of the address lines at the socket and in the adapter, then read the whole memory again"
	case x.m.Image.Arranged():
		msg += "; read the whole memory again in the right order, or correct the order that the map states"
	default:
		msg += fmt.Sprintf("; read the whole memory again in the right order, or state the order in the map (%s)", p.order.fix)
	}
	if p.same >= 0 {
		x.findings = slices.Delete(x.findings, p.same, p.same+1)
	}
	x.found(p.code, evidence.Fault, p.where(), "%s", msg)
}

// foundWeakRepair reports the arrangement that made so few rules agree again
// that it may be chance.
func (x *examiner) foundWeakRepair(p *proposal, failing []maps.RuleResult, arrangements int) {
	rules, bits := p.values()
	who := evidence.Sprintf("one %d-bit rule of the %d that fail agrees", bits, len(failing))
	if rules > 1 {
		who = evidence.Sprintf("%d rules of the %d that fail, with %d bits in all, agree", rules, len(failing), bits)
	} else if len(failing) == 1 {
		who = evidence.Sprintf("one %d-bit rule speaks for it, which agrees", bits)
	}
	x.found(p.code, evidence.Caution, p.where(),
		"only %s again when the image is %s; of %d arrangements tried one may do that by chance, so read the whole memory again and compare the two reads", who, p.what, arrangements)
}
