package readcheck

import (
	"cmp"
	"fmt"
	"io"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// When checksum rules fail or identity fields do not read, the map's anchors
// can tell why: if they hold again once the bytes are arranged in another way,
// that is how the read went wrong. A rule of 16 bits or more that agrees again
// by chance does so once in 65536 tries.

// repair is one way to arrange the bytes of a read: byte i of the repaired
// image is byte from(i) of the read, if that lies in it.
type repair struct {
	code  string
	what  string
	from  func(i int) int
	grain int // bytes from a multiple of it on keep together; 0: all do
	move  int // for a shift, how far the content is moved up by it
}

const (
	anchorRules  = 3         // failing rules, those that cover least, that are tried first
	anchorBudget = 512 << 20 // bytes that may be summed while trying
)

// repairs returns every arrangement tried on an image of n bytes, likely ones
// first.
func (x *examiner) repairs(n int) []repair {
	var list []repair
	for d := 1; d <= x.lim.ruleShift; d++ {
		list = append(list,
			repair{CodeShifted, fmt.Sprintf("moved up by %d: bytes were lost before it", d), func(i int) int { return i - d }, 0, d},
			repair{CodeShifted, fmt.Sprintf("moved down by %d: bytes were doubled before it", d), func(i int) int { return i + d }, 0, -d})
	}
	for _, a := range arrangements() {
		list = append(list, repair{a.code, "read with " + a.name, func(i int) int { return a.from(i, n) }, 1, 0})
	}
	lines := x.c.lines()
	for a := range lines {
		for b := a + 1; b < lines; b++ {
			list = append(list, repair{CodeAddressLinesSwapped, fmt.Sprintf("read with address lines %d and %d exchanged", a, b), func(i int) int {
				if i>>a&1 != i>>b&1 {
					return i ^ 1<<a ^ 1<<b
				}
				return i
			}, 1 << a, 0})
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

// checkAnchors looks for the arrangement that makes failing anchors hold.
func (x *examiner) checkAnchors(results []maps.RuleResult, identity []maps.IdentityValue) {
	if len(x.c.spans) != 1 {
		return
	}
	s := x.c.spans[0]
	failing := x.lim.failingRules(results)
	unread := map[string]bool{}
	for _, id := range identity {
		if id.Problem != "" {
			unread[id.Name] = true
		}
	}
	if len(failing) == 0 {
		return
	}
	cost := uint64(0)
	for _, r := range failing[:min(len(failing), anchorRules)] {
		cost += image.TotalSize(r.Cover)
	}
	spent := uint64(0)
	for _, rep := range x.repairs(len(s.data)) {
		if spent += cost; spent > anchorBudget {
			x.skipped("which address lines or bytes were exchanged: trying every way would take too long on an image of %d bytes; a second read tells", len(s.data))
			return
		}
		im, err := image.New(rearranged{s.data, rep, x.m.Image.Erased}, int64(len(s.data)), image.Options{Format: image.FormatRaw, Base: new(s.start)})
		if err != nil {
			return
		}
		again := x.agreeAgain(im, failing, anchorRules)
		if len(again) == 0 {
			continue
		}
		again = x.agreeAgain(im, failing, len(failing))
		x.foundRepair(rep, im, again, failing, results, unread)
		return
	}
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

// agreeAgain returns which of the first most failing rules agree on im.
func (x *examiner) agreeAgain(im *image.Image, failing []maps.RuleResult, most int) []maps.RuleResult {
	wanted := map[string]bool{}
	for _, r := range failing[:min(most, len(failing))] {
		wanted[r.Rule] = true
	}
	m := *x.m
	m.Checksums = nil
	for _, r := range x.m.Checksums {
		if wanted[r.Name] && r.InitFrom == "" {
			m.Checksums = append(m.Checksums, r)
		}
	}
	b, err := maps.Bind(&m, im)
	if err != nil {
		return nil
	}
	var again []maps.RuleResult
	for _, r := range b.Check() {
		failed := slices.ContainsFunc(failing, func(f maps.RuleResult) bool { return f.Rule == r.Rule && f.Repeat == r.Repeat })
		if failed && r.Verdict == evidence.Pass && !x.c.flat(r.Cover) {
			again = append(again, r)
		}
	}
	return again
}

// flat reports whether ranges hold no rich content: any arrangement agrees
// with a checksum of fill.
func (c *content) flat(ranges []image.Range) bool {
	return c.contentIn(ranges) < unitSize
}

// foundRepair reports the arrangement that made rules agree again.
func (x *examiner) foundRepair(rep repair, im *image.Image, again, failing, results []maps.RuleResult, unread map[string]bool) {
	fields := 0
	if b, err := maps.Bind(x.m, im); err == nil {
		for _, id := range b.Identity() {
			if unread[id.Name] && id.Problem == "" {
				fields++
			}
		}
	}
	var where []image.Range
	for _, r := range again {
		where = append(where, r.Cover...)
	}
	where = image.MergeRanges(where)
	msg := evidence.Sprintf("%d of %d checksum rules that fail agree again when the image is %s", len(again), len(failing), rep.what)
	if fields > 0 {
		msg += fmt.Sprintf(", and %s again", evidence.Count(uint64(fields), "readable identity field"))
	}
	if rep.move != 0 {
		// Rules that agree as they are end before the fault.
		from := uint64(0)
		for _, r := range results {
			if r.Verdict != evidence.Pass {
				continue
			}
			for _, c := range r.Cover {
				if c.Last() < where[0].Start {
					from = max(from, c.Last())
				}
			}
		}
		msg += fmt.Sprintf("; it happened between 0x%X and 0x%X; read the whole memory again and compare the two reads", from, where[0].Start)
	} else {
		msg += "; read the whole memory again in the right order, or state the order in the map"
	}
	x.found(rep.code, evidence.Fault, where, "%s", msg)
}
