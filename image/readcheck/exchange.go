package readcheck

import (
	"cmp"
	"math"
	"math/bits"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Two address lines a < b that are exchanged move blocks of 1<<a bytes to the
// places of others. Every byte is there, but nearly every block has neighbours
// that are not its own: the image is torn at the joints between blocks, and no
// other exchange puts it together again.
//
//   - From line 4 on the blocks are long enough to teach what belongs together
//     (exchange_joints.go).
//   - Of shorter ones it is counted how much neighbouring bytes have to do with
//     each other in either order (exchange_low.go).
//
// A table whose records have a power of two of bytes looks tidier with two lines
// exchanged too: its columns then stand together. But that tears other parts:
// lines are named only if little seems to be torn once they are taken back.

// leastExchanged is the smallest memory that is judged: smaller ones have too
// few joints.
const leastExchanged = 16 << 10

// exchange is a pair of address lines, and what speaks for them being exchanged.
type exchange struct {
	a, b    int
	nats    float64 // evidence for it: the logarithm of the odds, where joints are learned
	squares float64 // of what each joint or window says
	joints  int     // that were asked, without fill; for lines below lowestLearned, each once for every pair of bytes
	scale   float64 // makes the evidence of lines below lowestLearned comparable; 0 for the others
}

func (e *exchange) add(nats float64) {
	e.nats += nats
	e.squares += nats * nats
}

// deviations is by how many standard deviations the evidence is above zero.
func (e *exchange) deviations() float64 { return e.nats / math.Sqrt(e.squares+1) }

// exchangedAddress returns the address whose content is read at addr if lines a
// and b are exchanged.
func exchangedAddress(addr, a, b int) int {
	if addr>>a&1 != addr>>b&1 {
		return addr ^ 1<<a ^ 1<<b
	}
	return addr
}

// exchanges returns the pairs of lines that seem to be exchanged in data, from
// line first on and below the given number of lines, likely ones first.
func (lim limits) exchanges(data []byte, first, lines int) []exchange {
	if first+1 >= lines {
		return nil
	}
	list := lowExchanges(data, first, lines)
	if m := newJointModel(data); m.learn() {
		list = append(list, m.exchanges(first, lines)...)
	}
	list = slices.DeleteFunc(list, func(e exchange) bool {
		if e.a < lowestLearned {
			return e.deviations() < lim.exchangeDeviations || e.nats < leastLow*float64(e.joints)
		}
		// A few joints cannot be many deviations apart, all together no more
		// than the root of their number.
		return e.nats < lim.exchangeNats || e.deviations() < min(lim.exchangeDeviations, math.Sqrt(float64(e.joints))/2)
	})
	// Short blocks first: an exchange of low lines tears long ones too.
	slices.SortFunc(list, func(x, y exchange) int {
		return cmp.Or(-cmp.Compare(x.nats*x.scale, y.nats*y.scale), -cmp.Compare(x.nats, y.nats))
	})
	return list
}

// torn sums up what list says: squares of standard deviations, as those of
// different lines can be compared.
func torn(list []exchange) (sum float64) {
	for _, e := range list {
		sum += e.deviations() * e.deviations()
	}
	return sum
}

// exchangeable reports whether exchanged lines are looked for in s.
func (x *examiner) exchangeable(s *span) bool {
	return len(s.data) >= leastExchanged && (x.m != nil || memorySize(len(s.data)))
}

// checkExchanged looks for two address lines that are exchanged. Without a map
// it judges only sizes that memories have: it takes a whole memory.
func (x *examiner) checkExchanged() {
	const most = 4   // pairs that are tried
	const calm = 0.1 // of what seems torn, that may still seem so once they are taken back
	for _, s := range x.c.spans {
		lines := min(bits.Len(uint(len(s.data)))-1, bits.TrailingZeros64(s.start))
		if !x.exchangeable(s) {
			continue
		}
		found := x.lim.exchanges(s.data, x.ordered, lines)
		if len(found) == 0 {
			continue
		}
		back := make([]byte, len(s.data))
		for _, e := range found[:min(len(found), most)] {
			for i := range back {
				back[i] = s.data[min(exchangedAddress(i, e.a, e.b), len(back)-1)]
			}
			if torn(x.lim.exchanges(back, x.ordered, lines)) > calm*torn(found) {
				continue
			}
			x.exchanged = append(x.exchanged, e)
			x.found(CodeAddressLinesSwapped, evidence.Caution, []image.Range{s.rng(0, len(s.data))},
				"the blocks of %d bytes fit together better with address lines %d and %d exchanged than as read (by %.0f nats, %.1f standard deviations), and nearly nothing seems torn any more then; check the order of the address lines at the socket and in the adapter, then read the whole memory again", 1<<e.a, e.a, e.b, e.nats, e.deviations())
			break
		}
	}
}

// provedLines returns the number of the lowest address lines that are not
// exchanged with others, because a rule agrees that counts two neighbouring
// blocks between which they choose, one after the other: the block behind would
// be another one. Sums of words say nothing about that.
func (x *examiner) provedLines(results []maps.RuleResult) int {
	lines := 0
	for _, r := range results {
		if r.Verdict != evidence.Pass || !x.lim.proves(r) || x.orderBlind(r) || x.c.flat(r.Cover) {
			continue
		}
		for _, c := range r.Cover {
			lines = max(lines, bits.Len64(c.Size)-1)
		}
	}
	return lines
}

// orderBlind reports whether the rule of r counts words wherever they stand.
func (x *examiner) orderBlind(r maps.RuleResult) bool {
	i := slices.IndexFunc(x.m.Checksums, func(rule maps.Rule) bool { return rule.Name == r.Rule })
	return i < 0 || x.m.Checksums[i].OrderBlind()
}

// clearExchanged drops what was said about exchanged lines if the map's rules
// said it already, and makes it a note if a rule proves the order of the blocks.
func (x *examiner) clearExchanged(results []maps.RuleResult) {
	said := slices.ContainsFunc(x.findings, func(f evidence.Finding) bool {
		return f.Code == CodeAddressLinesSwapped && f.Severity == evidence.Fault
	})
	proved := x.provedLines(results)
	whole := slices.ContainsFunc(x.exchanged, func(e exchange) bool { return e.a < proved })
	x.findings = slices.DeleteFunc(x.findings, func(f evidence.Finding) bool {
		return said && f.Code == CodeAddressLinesSwapped && f.Severity == evidence.Caution
	})
	for i := range x.findings {
		if f := &x.findings[i]; whole && f.Code == CodeAddressLinesSwapped && f.Severity == evidence.Caution {
			f.Severity = evidence.Note
			f.Message += "; but a checksum over several of these blocks agrees, so it was like that when the checksum was made"
		}
	}
}
