package readcheck

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Examine runs every check on im, whose addresses are the map's: an image that
// [maps.Open] or [maps.Map.Arrange] made, or one that needs no arranging. It
// reports the map's own checks too: coverage, checksum rules, identity fields.
//
// The verdict is fail if a fault was found. It is pass only if nothing speaks
// against the read, everything could be judged, and agreeing checksum rules
// cover most of the content. m may be nil: the verdict is then at best
// unproven.
//
// It reads the image once; see [Examination] for what it reads again.
func Examine(m *maps.Map, im *image.Image) (*Report, error) {
	e, err := NewExamination(im)
	if err != nil {
		return nil, err
	}
	b, err := maps.Bind(m, im)
	if err != nil {
		return nil, fmt.Errorf("examine: %w", err)
	}
	p := &maps.Pass{Bound: b, Rules: true}
	if err := maps.ReadOnce(func(_ uint64, blocks [][]byte) error { e.Take(blocks[0]); return nil }, p); err != nil {
		return nil, fmt.Errorf("examine: %w", err)
	}
	return e.Report(b, p.Results)
}

// atOnce runs checks at the same time, each on an examiner of its own, and
// adds up what they say in their order: the report does not depend on which
// ends first. A check reads the image and the map only, and keeps little.
func (x *examiner) atOnce(checks ...func(*examiner)) {
	own := make([]examiner, len(checks))
	var wg sync.WaitGroup
	for i, check := range checks {
		own[i] = examiner{m: x.m, c: x.c, lim: x.lim, fileEnd: x.fileEnd}
		wg.Go(func() { check(&own[i]) })
	}
	wg.Wait()
	for i := range own {
		x.add(&own[i])
	}
}

// add adds what other found to x.
func (x *examiner) add(other *examiner) {
	x.findings = append(x.findings, other.findings...)
	x.unjudged = append(x.unjudged, other.unjudged...)
	x.lineFaults = append(x.lineFaults, other.lineFaults...)
	x.alike = append(x.alike, other.alike...)
	x.exchanged = append(x.exchanged, other.exchanged...)
	for code := range other.wholeLine {
		x.holdsWhole(code)
	}
}

// report sums up what was found.
func (x *examiner) report() *Report {
	for i := range x.findings {
		x.nameRegion(&x.findings[i])
	}
	sortFindings(x.findings)
	verdict := evidence.Judge(x.findings)
	if len(x.unjudged) > 0 {
		verdict = evidence.Combine(verdict, evidence.Unproven)
	}
	if x.findings == nil {
		x.findings = []evidence.Finding{}
	}
	return &Report{Verdict: verdict, Findings: x.findings, NotJudged: x.unjudged}
}

// nameRegion names the region that holds all of f, if one does.
func (x *examiner) nameRegion(f *evidence.Finding) {
	if x.m == nil || f.Region != "" || len(f.Ranges) == 0 {
		return
	}
	region, ok := x.m.RegionAt(f.Ranges[0].Start)
	for _, r := range f.Ranges {
		ok = ok && region.Range.Covers(r)
	}
	if ok {
		f.Region = region.Name
	}
}

// checkLines looks for faults that read the same every time.
func (x *examiner) checkLines() {
	x.atOnce((*examiner).checkAddressLines, (*examiner).checkDataLines, (*examiner).checkRepeats)
	if len(x.lineFaults) == 0 { // lines at rest tear the image too
		x.checkExchanged()
	}
}

// checkMap holds the image against the map, of whose checksum rules results tells.
func (x *examiner) checkMap(b *maps.Bound, results []maps.RuleResult) {
	x.findings = append(x.findings, b.Coverage()...)
	var proved, ordered, described []image.Range // ordered: proved to stand where it should, too
	for _, r := range results {
		if r.Verdict != evidence.Pass {
			x.findings = append(x.findings, r.Finding())
			continue
		}
		covered := r.Cover
		if r.Field != nil {
			covered = append(slices.Clone(covered), *r.Field)
		}
		described = append(described, covered...)
		if x.lim.proves(r) {
			proved = append(proved, covered...)
			if !x.orderBlind(r) {
				ordered = append(ordered, covered...)
			}
		}
	}
	proved, ordered = image.MergeRanges(proved), image.MergeRanges(ordered)
	identity := b.Identity()
	for _, id := range identity {
		if id.Problem != "" {
			x.found(CodeIdentityUnreadable, evidence.Fault, []image.Range{id.Range},
				"identity field %q at %s does not read as %s: %s; a shifted, swapped or short read does that, so read the whole memory again and compare the two reads", id.Name, id.Range, id.As, id.Problem)
		}
	}
	x.checkAnchors(results, identity)
	x.clearExchanged(results)
	x.checkHoles(proved)
	for _, id := range identity {
		described = append(described, id.Range)
	}
	x.checkUnused(image.MergeRanges(described))
	x.checkEntropy(proved)
	x.clear(proved, ordered)
	x.nameShortRead(proved)
	x.judgeProof(len(results), proved)
}

// nameShortRead turns the caution about a constant tail into a fault where the
// map expects content in it: the read stopped there. Where by the map there is
// nothing, or a checksum covers what is not of the tail, it is a note.
func (x *examiner) nameShortRead(proved []image.Range) {
	for i := range x.findings {
		f := &x.findings[i]
		if f.Code != CodeTailConstant || f.Severity != evidence.Caution {
			continue
		}
		tail := f.Ranges[0]
		var missing []string
		for _, r := range x.m.Regions {
			if both, ok := r.Range.Intersect(tail); ok && r.Content == maps.ContentExpected && both.Last() == r.Range.Last() {
				missing = append(missing, fmt.Sprintf("%q", r.Name))
			}
		}
		if len(missing) == 0 {
			if len(image.SubtractRanges([]image.Range{tail}, append(x.m.Empty(), proved...))) == 0 {
				f.Severity = evidence.Note
				f.Message = evidence.Sprintf("the last %d bytes (%s) hold one pattern; by the map there is nothing", tail.Size, tail)
			}
			continue
		}
		f.Code, f.Severity = CodeShortRead, evidence.Fault
		f.Message = evidence.Sprintf("the read stopped at 0x%X: the last %d bytes (%s) hold one pattern, where the map expects the rest of %s; read the whole memory again and compare the two reads", tail.Start, tail.Size, tail, strings.Join(missing, ", "))
		x.findings = slices.DeleteFunc(x.findings, func(o evidence.Finding) bool {
			hole := o.Code == CodeHole || o.Code == CodeErasedPart || o.Code == CodeRegionBlank
			return hole && len(o.Ranges) == 1 && tail.Covers(o.Ranges[0])
		})
		return
	}
}

// proves reports whether a rule's value is wide enough for its agreeing to say
// something about each byte it covers.
func (lim limits) proves(r maps.RuleResult) bool {
	return valueBits(r) >= lim.proofBits
}

// valueBits is the width of a rule's value.
func valueBits(r maps.RuleResult) int { return 4 * len(strings.TrimPrefix(r.Computed, "0x")) }

// clear turns into notes what looked odd but lies under a checksum that
// agrees: it was like that when the checksum was made. Of the order of bytes
// only those say something that are no sums of words.
func (x *examiner) clear(proved, ordered []image.Range) {
	odd := map[string]bool{}
	for _, code := range patternCodes() {
		odd[code] = true
	}
	for i := range x.findings {
		f := &x.findings[i]
		if !odd[f.Code] || f.Severity == evidence.Note || len(f.Ranges) == 0 {
			continue
		}
		by := proved
		if f.Code == CodeBytesSwapped || f.Code == CodeInterleaved {
			by = ordered
		}
		if len(image.SubtractRanges(f.Ranges, by)) != 0 {
			continue
		}
		if x.wholeLine[f.Code] {
			// Every block may have come with its own checksum, so that a
			// block read in the place of another proves itself.
			f.Severity = evidence.Caution
			f.Message += "; but the checksums over it agree, so it may be meant: compare the halves with what the controller should hold"
		} else {
			f.Severity = evidence.Note
			f.Message += "; but a checksum that covers it agrees, so it was like that when the checksum was made"
		}
	}
}

// patternCodes are the findings about patterns that healthy content can hold.
func patternCodes() []string {
	return []string{CodeBlockRepeated, CodeTailRepeats, CodeTailConstant, CodeTailCopy, CodeHole, CodeErasedPart, CodeAddressLineStuck, CodeAddressLinesShorted, CodeDataLineStuck, CodeDataLinesShorted, CodeDataLinesOpposite, CodeShifted, CodeBytesSwapped, CodeInterleaved, CodeSessionText, CodeHTMLText}
}

// judgeProof says how much of the content the agreeing rules prove.
func (x *examiner) judgeProof(rules int, proved []image.Range) {
	if rules == 0 {
		x.skipped("the map has no checksum rule, so nothing proves the content; add the rules of this controller")
		return
	}
	var content []image.Range
	for _, r := range x.m.Regions {
		if r.Content == maps.ContentExpected && r.Role != maps.RoleIdentity {
			content = append(content, r.Range)
		}
	}
	bare := x.c.contentIn(image.SubtractRanges(content, proved))
	all := x.c.contentIn(image.MergeRanges(content))
	if all > 0 && 100*(all-bare) < uint64(x.lim.proved)*all {
		x.skipped("agreeing checksum rules of %d bits or more cover %d of %d bytes of content; what lies outside them is not proved", x.lim.proofBits, all-bare, all)
	}
}

// contentIn counts the bytes of ranges that lie in units holding more than one
// value.
func (c *content) contentIn(ranges []image.Range) uint64 {
	var n uint64
	for _, r := range ranges {
		for _, s := range c.spansIn(r) {
			part, ok := r.Intersect(image.Range{Start: s.start, Size: uint64(len(s.data))})
			if !ok || s.units() == 0 {
				continue
			}
			first := s.unitAddr(0)
			for u := int((max(part.Start, first) - first) / unitSize); u < s.units() && s.unitAddr(u) <= part.Last(); u++ {
				if s.classes[u] == classFill {
					continue
				}
				if both, ok := part.Intersect(image.Range{Start: s.unitAddr(u), Size: unitSize}); ok {
					n += both.Size
				}
			}
		}
	}
	return n
}
