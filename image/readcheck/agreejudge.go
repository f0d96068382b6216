package readcheck

import (
	"fmt"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// judgeDifferences turns what the comparison measured into findings.
func (x *examiner) judgeDifferences(ag *Agreement, reads int) {
	if ag.Compared == 0 {
		x.found(CodeReadsCoverage, evidence.Fault, nil, "the reads have no address in common; check that all are of one controller and give raw files the same base")
		return
	}
	if ag.Differ == 0 {
		x.found(CodeReadsEqual, evidence.Note, nil,
			"the %d reads hold the same at all %s that they share; equal reads alone would be no proof, because a stuck line reads the same every time", reads, addresses(ag.Compared))
		return
	}
	learned := uint64(0)
	for _, w := range ag.Where {
		if w.Role == maps.RoleAdaptation {
			learned += w.Bytes
		}
	}
	if learned == ag.Differ {
		x.found(CodeReadsDifferLearned, evidence.Note, ag.Ranges,
			"the reads differ at %s, all in adaptation regions (%s): values the controller learns; everything else is equal; agreement alone would be no proof, so the read is examined too", addresses(ag.Differ), regionList(ag.Where))
		return
	}
	outside := ag.Differ - learned
	detail := x.pairDetail(ag.Pairs, func(p PairDiff) string { return fmt.Sprintf("read %d against read 1", p.Read) })
	if x.m == nil {
		x.found(CodeReadsDiffer, evidence.Caution, ag.Ranges,
			"the reads differ at %d of %s (%s)%s; without a map values the controller learns cannot be told from reading errors, so give one with --map, or read the whole memory again and compare all reads", outside, addresses(ag.Compared), evidence.Ranges(ag.Ranges), detail)
	} else {
		ranges := x.outsideAdaptation(ag.Ranges)
		x.found(CodeReadsDiffer, evidence.Fault, ranges,
			"the reads differ at %s outside the adaptation regions (%s; %s)%s; at least one read is wrong there, so check supply and wiring, read the whole memory again and compare all reads", addresses(outside), regionList(ag.Where), evidence.Ranges(ranges), detail)
	}
	if len(ag.NoMajority) > 0 {
		x.found(CodeReadsNoMajority, evidence.Caution, ag.NoMajority,
			"at %s no value was read by more than half of the reads (%s); add another read", addresses(image.TotalSize(ag.NoMajority)), evidence.Ranges(ag.NoMajority))
	}
}

// outsideAdaptation returns the parts of ranges that lie in no adaptation region.
func (x *examiner) outsideAdaptation(ranges []image.Range) []image.Range {
	var learned []image.Range
	for _, r := range x.m.Regions {
		if r.Role == maps.RoleAdaptation {
			learned = append(learned, r.Range)
		}
	}
	return image.SubtractRanges(ranges, learned)
}

// pairDetail says in which direction bits differ, whether blocks are to blame,
// and what explains it. name says which images a pair compares.
func (x *examiner) pairDetail(pairs []PairDiff, name func(PairDiff) string) string {
	var b strings.Builder
	for _, p := range pairs {
		if p.Bytes == 0 {
			continue
		}
		b.WriteString(evidence.Sprintf("; %s: %s 1 to 0, %s 0 to 1", name(p), evidence.Count(p.OneToZero, "bit"), evidence.Count(p.ZeroToOne, "bit")))
		if weak := p.OneToZero + p.ZeroToOne; weak >= uint64(x.lim.directionBits) && (p.OneToZero == 0 || p.ZeroToOne == 0) && p.Block == 0 {
			b.WriteString(" (one direction only: a weak supply or a marginal cell or line)")
		}
		if p.Block > 0 {
			b.WriteString(evidence.Sprintf(", in whole blocks of %d bytes (the transfer, not the memory)", p.Block))
		}
		if p.Cause != "" {
			fmt.Fprintf(&b, ": %s", p.Cause)
		}
	}
	return b.String()
}

// addresses writes n with its noun.
func addresses(n uint64) string {
	if n == 1 {
		return "1 address"
	}
	return evidence.Thousands(n) + " addresses"
}

func regionList(where []RegionDiff) string {
	var parts []string
	for _, w := range where {
		name := fmt.Sprintf("%q", w.Name)
		if w.Name == "" {
			name = "outside every region"
		}
		parts = append(parts, evidence.Sprintf("%s: %d", name, w.Bytes))
	}
	return strings.Join(parts, ", ")
}
