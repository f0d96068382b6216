package diffmap

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// GateInput is everything the gate judges. Original and Modified must be given,
// bound to one map.
type GateInput struct {
	Original, Modified *maps.Bound
	SecondRead         *maps.Bound // another read of the same controller; nil: none
	Bench              BenchFigures
	Accepted           map[string]string // region name -> reason, for regions whose edit must be asked
	Hash               bool              // hash the files with the bytes that are read anyway

	// Archive says what an archive proves about the file of the original, which
	// has the given SHA-256, in hex; nil: no archive. The gate needs no archive
	// itself, and asks when it has read the files.
	Archive func(sha256 string) (*ArchiveEvidence, error)
}

// Map returns the map of all images, nil for none.
func (in GateInput) Map() *maps.Map {
	if in.Original == nil {
		return nil
	}
	return in.Original.Map
}

// BenchFigures are what the user states about the bench; nil means not stated.
type BenchFigures struct {
	SupplyVolts      *float64       // volts at the controller while it is written
	AdapterLatencyMS *float64       // milliseconds
	ReadTook         *time.Duration // how long the read of Original took
}

// ArchiveEvidence is what an archive proved about the original.
type ArchiveEvidence struct {
	Entry      string
	Verified   evidence.Verdict // every byte re-hashed
	Kept       evidence.Verdict // verdict kept with the entry
	Restorable evidence.Verdict // the payload equals Original byte for byte
	Detail     string
}

// Codes of the gate's conditions, in the gate's order.
const (
	ConditionOriginal   = "original-proved"
	ConditionCoverage   = "coverage-same"
	ConditionChecksums  = "checksums-hold"
	ConditionEdits      = "edits-allowed"
	ConditionProtected  = "protected-untouched"
	ConditionTables     = "tables-in-limits"
	ConditionBench      = "bench-stated"
	ConditionRestorable = "backup-restorable"
)

// Condition is one thing the gate demands, with its evidence.
type Condition struct {
	Code     string             `json:"code"`
	Title    string             `json:"title"`
	Verdict  evidence.Verdict   `json:"verdict"`
	Evidence []string           `json:"evidence"` // what was measured; never empty
	Findings []evidence.Finding `json:"findings,omitempty"`
}

// Caution is something to know before writing. It changes no verdict.
type Caution struct {
	Code    string   `json:"code"`
	Message string   `json:"message"`
	Regions []string `json:"regions,omitempty"` // the changed regions it is about
}

// GateResult is the gate's answer.
type GateResult struct {
	Verdict    evidence.Verdict `json:"verdict"`
	Conditions []Condition      `json:"conditions"`
	Cautions   []Caution        `json:"cautions"` // what the tags of changed regions and the gate's own limits call for
	Diff       *Result          `json:"diff"`

	// SHA-256 of the second read's file, in hex, if GateInput.Hash; Diff has the others'.
	SecondReadSHA256 string `json:"-"`
}

// Findings returns the findings of all conditions, in the gate's order.
func (g *GateResult) Findings() []evidence.Finding {
	out := []evidence.Finding{}
	if g.Diff.Equal {
		out = append(out, g.Diff.Findings()...)
	}
	for _, c := range g.Conditions {
		out = append(out, c.Findings...)
	}
	return out
}

// Gate judges whether modified may be written over what the controller holds.
// It passes only if all conditions pass; it fails if one fails, and is
// unproven if none fails and one is unproven.
//
//   - original-proved passes if the examination of the original passes
//     ([readcheck.Examine]) and it was read twice with agreeing results
//     ([readcheck.Agree]) or an archive entry of it verifies and was kept with
//     the verdict pass. Two equal reads alone prove nothing: a stuck line reads
//     the same twice.
//   - coverage-same passes if both images hold the same addresses and the
//     modified image covers what the map expects.
//   - checksums-hold passes if the map has a rule and every rule passes in the
//     modified image. It fails if a signature covers a changed byte, where the
//     map says what it covers. Where not too much changed, values are computed in
//     a second way, from those of the original and the changed bytes alone
//     ([maps.Bound.Predict]); it fails if the two differ.
//   - edits-allowed passes if every changed byte lies in a region whose edit is
//     allowed, or must be asked and is accepted with a reason. Without the
//     acceptance it is unproven. It fails for a byte in a region whose edit is
//     forbidden and for one outside every region.
//   - protected-untouched fails if a byte of a boot, program, identity or
//     signature region or of an identity field changed. It is unproven if bytes
//     changed outside every region, for nobody knows what those are.
//   - tables-in-limits fails if a changed cell lies outside the limits the map
//     declares, and is unproven if an unchanged one does, if a table does not
//     decode, or if something changed and the map declares no limits at all.
//   - bench-stated fails if supply voltage, adapter latency or the duration of
//     the read lie outside their limits, and is unproven if one of the first
//     two is not stated.
//   - backup-restorable passes if an archive gives the original back byte for
//     byte, and is unproven without an archive.
//
// It reads each image once, all side by side: a block of each is hashed, counted
// by the checksum rules, compared and kept for the examination before the next
// one is read. What [maps.ReadOnce], [Compare] and [readcheck.Examination] name is read again, and
// changed bytes for the second way of computing checksums.
//
// It returns an error for input that cannot be judged: a missing image or map,
// an acceptance of a region the map does not name or without a reason, a bench
// figure that is no measurement.
func Gate(in GateInput) (*GateResult, error) {
	if err := in.validate(); err != nil {
		return nil, err
	}
	m := in.Map()
	c := newComparison(in.Original, in.Modified, Options{Hash: in.Hash})
	if in.Archive != nil {
		c.sums[0].of(c.before)
	}
	p, err := newProof(in.Original, in.SecondRead)
	if err != nil {
		return nil, err
	}
	var second digest
	passes := []*maps.Pass{c.after, c.before}
	if p.second != nil {
		passes = append(passes, p.second)
		if in.Hash {
			second.of(p.second)
		}
	}
	err = maps.ReadOnce(func(addr uint64, blocks [][]byte) error {
		c.take(addr, blocks[1], blocks[0])
		p.take(addr, blocks[1:])
		return nil
	}, passes...)
	if err != nil {
		return nil, fmt.Errorf("gate: %w", err)
	}
	diff, err := c.result()
	if err != nil {
		return nil, err
	}
	read, agreed, err := p.judge(c.before.Results)
	if err != nil {
		return nil, fmt.Errorf("original: %w", err)
	}
	var archived *ArchiveEvidence
	if in.Archive != nil {
		if archived, err = in.Archive(c.sums[0].String()); err != nil {
			return nil, err
		}
	}
	predicted, err := predict(in.Original, c.before.Results, in.Modified, diff)
	if err != nil {
		return nil, err
	}
	res := &GateResult{Diff: diff, Cautions: cautions(m, diff), SecondReadSHA256: second.String()}
	res.Conditions = []Condition{
		originalProved(in, read, agreed, archived),
		coverageSame(diff, in.Modified.Coverage()),
		checksumsHold(diff, brokenSignatures(m, diff), predicted),
		editsAllowed(diff, in.Accepted),
		protectedUntouched(m, diff),
		tablesInLimits(diff, in.Modified.Tables()),
		benchStated(m.Bench, in.Bench),
		backupRestorable(archived),
	}
	verdicts := make([]evidence.Verdict, len(res.Conditions))
	for i, c := range res.Conditions {
		verdicts[i] = c.Verdict
	}
	res.Verdict = evidence.Combine(verdicts...)
	return res, nil
}

// validate reports every mistake in what was given, in a fixed order.
func (in GateInput) validate() error {
	var problems []string
	if in.Original == nil || in.Modified == nil {
		problems = append(problems, "an image is missing; give an original and a modified image")
	}
	m := in.Map()
	for _, b := range []*maps.Bound{in.Modified, in.SecondRead} {
		if b != nil && in.Original != nil && b.Map != m {
			problems = append(problems, "the images are bound to different maps; bind all to one")
			break
		}
	}
	if m == nil {
		problems = append(problems, "no region map; without one nothing can be allowed")
	} else {
		names := make([]string, 0, len(in.Accepted))
		for name := range in.Accepted {
			names = append(names, name)
		}
		slices.Sort(names)
		for _, name := range names {
			if !slices.ContainsFunc(m.Regions, func(r maps.Region) bool { return r.Name == name }) {
				problems = append(problems, fmt.Sprintf("accepted region %q is not in the map; it names %s", name, regionNames(m)))
			} else if strings.TrimSpace(in.Accepted[name]) == "" {
				problems = append(problems, fmt.Sprintf("region %q is accepted without a reason; the reason goes on record, so give one", name))
			}
		}
	}
	positive := func(what, unit string, v *float64) {
		if v != nil && !(*v > 0 && !math.IsInf(*v, 0)) {
			problems = append(problems, fmt.Sprintf("%s of %v %s is no measurement; give a number above 0", what, *v, unit))
		}
	}
	positive("supply voltage", "V", in.Bench.SupplyVolts)
	if v := in.Bench.AdapterLatencyMS; v != nil && !(*v >= 0 && !math.IsInf(*v, 0)) {
		problems = append(problems, fmt.Sprintf("adapter latency of %v ms is no measurement; give 0 or more", *v))
	}
	if d := in.Bench.ReadTook; d != nil && *d <= 0 {
		problems = append(problems, fmt.Sprintf("read duration of %v is no measurement; give one above 0", *d))
	}
	if len(problems) > 0 {
		return fmt.Errorf("gate: %s", strings.Join(problems, "; "))
	}
	return nil
}

func regionNames(m *maps.Map) string {
	if len(m.Regions) == 0 {
		return "no region"
	}
	names := make([]string, len(m.Regions))
	for i, r := range m.Regions {
		names[i] = fmt.Sprintf("%q", r.Name)
	}
	return strings.Join(names, ", ")
}
