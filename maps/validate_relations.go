package maps

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// static returns a resolver that knows no image: whatever has to be read from
// one gives errNotStatic.
func (v *validator) static() *resolver {
	return &resolver{m: v.m, read: func([]byte, uint64) error { return errNotStatic }}
}

// maxStatic bounds how many cover entries of all repetitions of all rules are
// compared with one another while a map is read. Beyond it, fields that collide and
// loops are found when an image is sealed.
const maxStatic = 1 << 16

// relations checks the rules against one another and against the image, as far
// as their addresses are written in the map: repetitions that run out of the
// image, fields that collide, rules that count their own field, and loops. Rules
// in which mistakes were found already are left out, but for those of the
// algorithm, of which only the width matters here.
func (v *validator) relations() {
	var all []instance
	work := 0
	for i := range v.m.Checksums {
		r := &v.m.Checksums[i]
		path := index("checksum", i)
		if v.spoiled[i] || v.has(path+".init_from") || v.has(path+".init_as") || v.has(path+".add_length") {
			continue
		}
		var mine []instance
		for in := range v.static().instances(r) {
			if in.err != nil {
				if !errors.Is(in.err, errNotStatic) {
					v.key(path, "%s", in.err)
				}
				mine = nil
				break
			}
			mine = append(mine, in)
		}
		for _, in := range mine {
			if !v.instance(path, in) {
				mine = nil
				break
			}
		}
		if work += len(mine) * (1 + len(r.Cover) + len(r.Count)); work > maxStatic {
			break
		}
		all = append(all, mine...)
	}
	v.collisions(all)
	if _, loop := sealOrder(all, dependencies(all)); loop != nil {
		last := loop[len(loop)-1].rule
		i := slices.IndexFunc(v.m.Checksums, func(r Rule) bool { return r.Name == last.Name })
		v.key(index("checksum", i), "the rules depend on one another in a loop: %s; no order of writing them can make all agree", loopText(loop))
	}
}

// instance checks one repetition; it reports whether it is good.
func (v *validator) instance(path string, in instance) bool {
	which := ""
	if in.n > 0 {
		which = fmt.Sprintf("repetition %d: ", in.n)
	}
	check := func(key string, r image.Range) bool {
		if v.extent == nil || slices.ContainsFunc(v.extent, func(e image.Range) bool { return e.Covers(r) }) {
			return true
		}
		v.key(path+"."+key, "%s%s runs out of the image, which is %s", which, r, evidence.Ranges(v.extent))
		return false
	}
	for _, p := range in.pieces {
		if p.kind == pieceImage && !check("cover", p.where) {
			return false
		}
	}
	if in.field.Size > 0 {
		if !check("stored", in.field) {
			return false
		}
		if shared := intersections(in.counted(), in.field); len(shared) > 0 {
			v.key(path+".stored", "%sthe field at %s lies in the bytes the rule counts; say with counted_as what it counts as, or leave it out of cover", which, in.field)
			return false
		}
	}
	return in.cell.Size == 0 || check("rebalance", in.cell)
}

// collisions reports fields and cells that share bytes.
func (v *validator) collisions(all []instance) {
	var sorted []instance
	for _, in := range all {
		if in.written().Size > 0 {
			sorted = append(sorted, in)
		}
	}
	slices.SortFunc(sorted, func(a, b instance) int { return cmp.Compare(a.written().Start, b.written().Start) })
	for k := 1; k < len(sorted); k++ {
		a, b := sorted[k-1], sorted[k]
		shared, ok := a.written().Intersect(b.written())
		if !ok {
			continue
		}
		i := slices.IndexFunc(v.m.Checksums, func(r Rule) bool { return r.Name == b.rule.Name })
		key := map[bool]string{true: "stored", false: "rebalance"}[b.field.Size > 0]
		if a.rule == b.rule {
			v.key(index("checksum", i)+"."+key, "repetitions %d and %d write the same bytes at %s", min(a.n, b.n), max(a.n, b.n), shared)
		} else {
			v.key(index("checksum", i)+"."+key, "the bytes at %s belong to checksum %q too", shared, a.rule.Name)
		}
		return
	}
}

// seeds checks rules that start from another rule's result.
func (v *validator) seeds() {
	for i := range v.m.Checksums {
		r := &v.m.Checksums[i]
		at := index("checksum", i) + ".init_from"
		if r.InitFrom == "" {
			if v.given(index("checksum", i) + ".init_as") {
				v.key(index("checksum", i)+".init_as", "belongs to init_from")
			}
			continue
		}
		if r.InitAs == "" {
			r.InitAs = InitRegister
		}
		if r.Init != nil {
			v.key(at, "gives a start value as init does already; give one of them")
		}
		j := slices.IndexFunc(v.m.Checksums, func(o Rule) bool { return o.Name == r.InitFrom })
		if j < 0 {
			v.key(at, "no checksum is called %q%s", r.InitFrom, suggest(r.InitFrom, v.m.ruleNames()))
			continue
		}
		other := &v.m.Checksums[j]
		if other.Repeat != nil || other.Records != nil || other.List != nil {
			v.key(at, "%q gives more than one result; start from a rule without repeat, records and list", other.Name)
		}
		if r.width() == 0 || other.width() == 0 {
			continue
		}
		if other.alg.Width() > r.alg.Width() {
			v.key(at, "%q gives %d bits, more than the %d of this rule", other.Name, other.alg.Width(), r.alg.Width())
			continue
		}
		zero := checksum.NewValue(r.alg.Width(), 0)
		_, err := r.alg.WithInit(zero)
		if r.InitAs == InitContinue {
			_, err = r.alg.Resume(zero)
			switch {
			case other.alg.Width() != r.alg.Width():
				v.key(at, "%q gives %d bits; a computation that goes on has the same width, here %d", other.Name, other.alg.Width(), r.alg.Width())
			case r.AddLength != "":
				v.key(index("checksum", i)+".add_length", "cannot be combined with init_as = \"continue\"")
			}
		}
		if err != nil {
			v.key(at, "%s", err)
		}
	}
	v.seedLoops()
}

// seedLoops reports rules whose start values lead back to themselves.
func (v *validator) seedLoops() {
	byName := map[string]*Rule{}
	for i := range v.m.Checksums {
		byName[v.m.Checksums[i].Name] = &v.m.Checksums[i]
	}
	for i := range v.m.Checksums {
		start := &v.m.Checksums[i]
		names := []string{start.Name}
		for r := byName[start.InitFrom]; r != nil && len(names) <= len(v.m.Checksums); r = byName[r.InitFrom] {
			names = append(names, r.Name)
			if r == start {
				v.key(index("checksum", i)+".init_from", "start values lead in a loop: %s", strings.Join(names, " -> "))
				return
			}
		}
	}
}
